//! `completions`: shell completions, generated from the command line's own description.

use super::shell::{Outcome, Shell};
use crate::model::failure::Failure;
use clap::CommandFactory;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury completions bash > ~/.local/share/bash-completion/completions/cabjury";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The shell.
    pub(crate) shell: clap_complete::Shell,
}

/// Prints the completions.
#[expect(clippy::unnecessary_wraps, reason = "every command has the same form")]
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let mut text = Vec::new();
    clap_complete::generate(args.shell, &mut super::Cli::command(), "cabjury", &mut text);
    let text = String::from_utf8_lossy(&text);
    shell.put(&if args.shell == clap_complete::Shell::Zsh { zsh(&text) } else { text.into_owned() });
    shell.put(session_names(args.shell));
    Ok(Outcome::Done)
}

/// What clap does not know: the names of the session's setups, mics, takes and tests, asked for when they are completed.
fn session_names(shell: clap_complete::Shell) -> &'static str {
    match shell {
        clap_complete::Shell::Bash => BASH,
        clap_complete::Shell::Fish => FISH,
        _ => "",
    }
}

/// Options whose values the session knows, and whose names they are.
const KNOWN: [(&str, &str); 9] = [
    ("setup", "setups"),
    ("compare", "setups"),
    ("reference", "setups"),
    ("expect", "setups"),
    ("order", "setups"),
    ("mic", "mics"),
    ("take", "takes"),
    ("turn", "takes"),
    ("test", "tests"),
];

/// In zsh an option's values come from the action at its line's end: of the ones that the session knows it is ours.
fn zsh(script: &str) -> String {
    let ours = |line: &str| {
        let option = line.trim_start().trim_start_matches(['\'', '*']).strip_prefix("--")?;
        let kind = KNOWN.iter().find(|(name, _)| option.strip_prefix(name).is_some_and(|rest| rest.starts_with('=')))?.1;
        let head = line.strip_suffix(":_default' \\")?;
        Some(format!("{head}:{{_cabjury_names {kind}}}' \\"))
    };
    let lines = script.lines().map(|line| ours(line).unwrap_or_else(|| line.to_owned()));
    // Behind the first line, which says what the script completes.
    let mut out: Vec<String> = lines.collect();
    out.insert(1.min(out.len()), ZSH.to_owned());
    out.join("\n")
}

const ZSH: &str = r#"
_cabjury_names() {
    local folder=. word
    local -a names
    for word in "${(@)words}"; do
        [[ -f "$word/session.db" ]] && folder=$word
    done
    names=(${(f)"$(cabjury names "$1" "$folder" 2>/dev/null)"})
    compset -P '*,'
    compadd -a names
}
"#;

const BASH: &str = r#"
_cabjury_of_session() {
    local kind folder=. word
    case "${COMP_WORDS[COMP_CWORD-1]}" in
        --setup|--compare|--reference|--expect) kind=setups ;;
        --mic) kind=mics ;;
        --take|--turn) kind=takes ;;
        --test) kind=tests ;;
        *) _cabjury "$@"; return ;;
    esac
    for word in "${COMP_WORDS[@]}"; do
        [ -f "$word/session.db" ] && folder=$word
    done
    COMPREPLY=($(compgen -W "$(cabjury names "$kind" "$folder" 2>/dev/null)" -- "${COMP_WORDS[COMP_CWORD]}"))
}
complete -F _cabjury_of_session -o bashdefault -o default cabjury
"#;

const FISH: &str = r#"
function __cabjury_names
    set -l folder .
    for word in (commandline -opc)
        test -f "$word/session.db"; and set folder $word
    end
    cabjury names $argv[1] $folder 2>/dev/null
end
complete -c cabjury -l setup -x -a "(__cabjury_names setups)"
complete -c cabjury -l compare -x -a "(__cabjury_names setups)"
complete -c cabjury -l reference -x -a "(__cabjury_names setups)"
complete -c cabjury -l expect -x -a "(__cabjury_names setups)"
complete -c cabjury -l turn -x -a "(__cabjury_names takes)"
complete -c cabjury -l mic -x -a "(__cabjury_names mics)"
complete -c cabjury -l take -x -a "(__cabjury_names takes)"
complete -c cabjury -l test -x -a "(__cabjury_names tests)"
"#;
