//! Lines that were published, and what is no such line.

use cabjury::witness::fingerprint::{digits, find, line};

#[test]
fn a_published_line_is_found_again() {
    let heads = ["ab".repeat(32), "cd".repeat(32)];
    let chain = || (1..).zip(heads.iter().map(String::as_str));
    let published = line("5e55", "test-1", &heads[1]);
    assert_eq!(published, format!("cabjury 5e55 test-1 {}", "cd".repeat(10)));
    assert_eq!(find(&digits(&published).unwrap(), chain()), Some(2));
    assert_eq!(find(&digits(&"CD".repeat(10)).unwrap(), chain()), Some(2));
    assert_eq!(find(&digits(&"ce".repeat(10)).unwrap(), chain()), None);
}

#[test]
fn too_few_digits_and_other_signs_are_no_fingerprint() {
    for text in ["", "abc", "abcdefabcde", "zz".repeat(10).as_str(), &"ab".repeat(33)] {
        assert_eq!(digits(text).unwrap_err().given, text);
    }
    assert!(digits("abcdefabcdef").is_ok());
}
