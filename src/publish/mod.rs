//! What leaves the session.
//!
//! * [`report`](mod@report): the page, and the audience's page
//! * [`picture`](mod@picture): cards, plots and wirings for a video or a slide
//! * [`montage`](mod@montage) with [`montage_request`], [`montage_choice`], [`montage_steps`], [`montage_files`] and [`montage_video`], [`reveal`](mod@reveal), [`votes`](mod@votes) with [`visits`]: for an audience
//! * [`bundle`](mod@bundle), [`unbundle`](mod@unbundle): for another computer; [`rescue`](mod@rescue): what can be read of a damaged session

mod answers;
mod audience_sound;
pub mod bundle;
pub mod montage;
pub mod montage_choice;
pub mod montage_files;
pub mod montage_request;
pub mod montage_steps;
pub mod montage_video;
pub mod picture;
pub mod report;
pub mod rescue;
pub mod reveal;
pub mod unbundle;
pub mod visits;
pub mod votes;
