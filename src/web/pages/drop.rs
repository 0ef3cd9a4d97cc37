//! A place for all recordings at once: the script reads their names, shows what it takes them for, and sends what was confirmed.

use crate::capture::pattern::accepted;
use maud::{Markup, html};

/// The drop target and the table of guesses, empty until files are there.
pub(super) fn everything() -> Markup {
    html! {
        div.drop.all #drop-all {
            label.file for="file-all" { "All recordings of the evening" }
            input type="file" id="file-all" multiple accept=(accepted());
            span.hint { "or drop them here, as many as you have: what each one is taken for is shown before anything is kept" }
            div #guesses aria-live="polite" hidden {}
        }
    }
}
