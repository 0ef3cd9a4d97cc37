//! Sentences, plots, wiring drawings, the page: numbers in, text out; touches no file.
//!
//! * [`sentence`]: the verdict in one sentence, with its evidence and its limits
//! * [`view`]: the plain records that a report shows; [`heard_takes`]: what the takes test looked at
//! * [`content`]: what it says, in the order in which a sceptic asks
//! * [`page`](mod@page): as one self-contained HTML file
//! * [`markdown`](mod@markdown): as Markdown
//! * [`audience`]: a page on which every visitor draws their own trials
//! * [`cues`]: captions, chapter times, chapters, cue sheet
//! * [`visitors`]: what an audience that visited the hall showed
//! * [`votes`]: what an audience's answers say
//! * [`picture`]: result cards, plots and wirings as pictures for a video or a slide
//! * [`plots`]: SVG with text alternative and data table
//! * [`text`]: how numbers read; [`texts`]: what listeners and visitors read, in their language

pub mod audience;
pub mod content;
pub mod count;
pub mod cues;
pub mod drawing;
pub mod heard_takes;
pub mod markdown;
pub mod page;
pub mod picture;
pub mod plots;
pub mod sentence;
pub mod text;
pub mod texts;
pub mod view;
pub mod visitors;
pub mod votes;
