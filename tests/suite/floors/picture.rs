//! The architecture as a picture, drawn from the floors table: `tests/golden/architecture.svg`, which DEVELOPERS.md shows. When the table changes,
//! the picture is drawn again by `CABJURY_GOLDEN=write cargo test --test suite floors::picture`.

use crate::golden;

const WIDTH: usize = 1240;
const GAP: usize = 10;
const LEFT: usize = 90;

/// One row of the table, as it stands there.
struct Row<'a> {
    floor: &'a str,
    room: &'a str,
    may_use: &'a str,
    crates: &'a str,
}

fn rows(guide: &str) -> Vec<Row<'_>> {
    let lines = guide.lines().skip_while(|l| !l.starts_with("| floor")).skip(2).take_while(|l| l.starts_with('|'));
    lines
        .filter_map(|l| {
            let cells: Vec<&str> = l.trim_matches('|').split('|').map(str::trim).collect();
            let numbered = cells[0].parse::<u8>().is_ok();
            numbered.then(|| Row { floor: cells[0], room: cells[1].trim_matches('`'), may_use: cells[2], crates: cells[3] })
        })
        .collect()
}

fn wrapped(text: &str, columns: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        let last = lines.last_mut().unwrap();
        if !last.is_empty() && last.len() + 1 + word.len() > columns {
            lines.push(word.to_owned());
        } else {
            if !last.is_empty() {
                last.push(' ');
            }
            last.push_str(word);
        }
    }
    lines
}

/// One box: the room, what it may use, the crates that it alone may name. Its lines, each with its class.
fn lines(row: &Row<'_>, columns: usize) -> Vec<(&'static str, String)> {
    let mut out = vec![("room", row.room.to_owned())];
    let uses = match row.may_use {
        "-" => "uses nothing".to_owned(),
        // Above it in the table, which begins with the lowest floor.
        "all above" => "uses all before it and below".to_owned(),
        some => format!("uses {some}"),
    };
    out.extend(wrapped(&uses, columns).into_iter().map(|l| ("uses", l)));
    if !row.crates.is_empty() {
        out.extend(wrapped(row.crates, columns).into_iter().map(|l| ("crates", l)));
    }
    out
}

fn picture(guide: &str) -> String {
    let rows = rows(guide);
    let mut floors: Vec<&str> = rows.iter().map(|r| r.floor).collect();
    floors.dedup();
    let (mut body, mut top) = (String::new(), GAP);
    for floor in floors.iter().rev() {
        let rooms: Vec<&Row<'_>> = rows.iter().filter(|r| r.floor == *floor).collect();
        let width = (WIDTH - LEFT - GAP * rooms.len()) / rooms.len();
        let texts: Vec<_> = rooms.iter().map(|r| lines(r, width / 7)).collect();
        let height = 18 + 15 * texts.iter().map(Vec::len).max().unwrap();
        body += &format!("<text class=\"floor\" x=\"{GAP}\" y=\"{}\">floor {floor}</text>\n", top + 22);
        for (n, text) in texts.iter().enumerate() {
            let x = LEFT + n * (width + GAP);
            body += &format!("<rect x=\"{x}\" y=\"{top}\" width=\"{width}\" height=\"{height}\"/>\n");
            for (m, (class, line)) in text.iter().enumerate() {
                body += &format!("<text class=\"{class}\" x=\"{}\" y=\"{}\">{line}</text>\n", x + 8, top + 22 + 15 * m);
            }
        }
        top += height + GAP;
    }
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {top}\" role=\"img\">\n\
         <title>The rooms on their floors: what each may use, and the outside crates that it alone may name</title>\n\
         <style>text{{font:11px sans-serif;fill:#222}}.room,.floor{{font-weight:bold;font-size:14px}}.crates{{fill:#8a4b00}}\
         rect{{fill:#f6f1e7;stroke:#777}}</style>\n<rect width=\"{WIDTH}\" height=\"{top}\" style=\"fill:#fff;stroke:none\"/>\n{body}</svg>\n"
    )
}

#[test]
fn the_picture_of_the_architecture_is_that_of_the_table() {
    let guide = std::fs::read_to_string(super::root().join("DEVELOPERS.md")).unwrap();
    let drawn = picture(&guide);
    let (rooms, _) = super::table(&guide);
    for (name, room) in rooms.iter().filter(|(_, r)| r.floor.is_some()) {
        assert!(drawn.contains(&format!(">{name}</text>")), "{name} of floor {:?} is not drawn", room.floor);
    }
    golden::check("architecture.svg", &drawn);
    assert!(guide.contains("](tests/golden/architecture.svg)"), "the guide does not show its picture");
    // Another table is another picture.
    assert_ne!(picture(&guide.replace("| 2 | `store` | floor 0 |", "| 2 | `store` | floor 0, circuit |")), drawn);
}
