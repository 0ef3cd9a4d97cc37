//! Colours by what they are for.

/// What a colour is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ink {
    /// The ground.
    Paper,
    /// Words and lines.
    Ink,
    /// Words that come second.
    Soft,
    /// The one accent.
    Accent,
    /// Areas behind.
    Wash,
}

/// Light or dark.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Theme {
    /// Dark words on light paper.
    Light,
    /// Light words on dark paper.
    Dark,
}

impl Theme {
    /// `light`, `dark`.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Light => "light",
            Self::Dark => "dark",
        }
    }

    /// The colour as `#rrggbb`.
    #[must_use]
    pub fn colour(self, ink: Ink) -> &'static str {
        match (self, ink) {
            (Self::Light, Ink::Paper) => "#fbf7ec",
            (Self::Light, Ink::Ink) => "#22201c",
            (Self::Light, Ink::Soft) => "#635a4a",
            (Self::Light, Ink::Accent) => "#a63d1f",
            (Self::Light, Ink::Wash) => "#e6dcc6",
            (Self::Dark, Ink::Paper) => "#1b1916",
            (Self::Dark, Ink::Ink) => "#f4eee1",
            (Self::Dark, Ink::Soft) => "#bcb19b",
            (Self::Dark, Ink::Accent) => "#ff9b75",
            (Self::Dark, Ink::Wash) => "#3b352b",
        }
    }
}
