//! A record beside the text that is kept of it.

use serde::de::DeserializeOwned;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use serde_json::value::RawValue;

/// A record with the text that is kept of it: what is written again is the text, so nothing is lost that an older or newer program wrote.
#[derive(Debug, Clone)]
pub struct Kept<T> {
    value: T,
    text: Box<RawValue>,
}

impl<T: Serialize> Kept<T> {
    /// A record that is kept for the first time.
    ///
    /// # Errors
    /// It cannot be written as JSON.
    pub fn of(value: T) -> Result<Self, serde_json::Error> {
        Ok(Self { text: serde_json::value::to_raw_value(&value)?, value })
    }
}

impl<T> Kept<T> {
    /// The record.
    #[must_use]
    pub fn value(&self) -> &T {
        &self.value
    }

    /// Its text.
    #[must_use]
    pub fn text(&self) -> &str {
        self.text.get()
    }
}

impl<T> Serialize for Kept<T> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        self.text.serialize(serializer)
    }
}

impl<'de, T: DeserializeOwned> Deserialize<'de> for Kept<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = Box::<RawValue>::deserialize(deserializer)?;
        Ok(Self { value: serde_json::from_str(text.get()).map_err(serde::de::Error::custom)?, text })
    }
}
