//! Item files: the things to be tested, one `[[item]]` each.

use std::path::Path;

use super::document::Document;
use super::{ConfigError, read_file};

/// One thing to be tested.
#[derive(
    Debug, Clone, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize, utoipa::ToSchema,
)]
#[serde(deny_unknown_fields)]
pub struct ItemEntry {
    /// Serial number, unique for ever.
    pub serial: String,
    /// What it is one of.
    #[serde(default)]
    pub model: String,
    /// The units it was made with.
    #[serde(default)]
    pub lot: String,
    /// Its size in words, such as `300 x 200 mm`.
    #[serde(default)]
    pub size: String,
    /// What it is made of.
    #[serde(default)]
    pub construction: String,
}

/// Reads an item file.
pub fn load_items(path: &Path) -> Result<Vec<ItemEntry>, ConfigError> {
    let text = read_file(path)?;
    Ok(Document::read(
        &path.display().to_string(),
        &text,
        |root| {
            let items = root.sections("item", |section| {
                let serial = section.checked("serial", None, |serial: String| {
                    match serial.trim().is_empty() {
                        true => Err("is empty".to_owned()),
                        false => Ok(serial.trim().to_owned()),
                    }
                });
                let mut word = |key| section.or(key, String::new());
                let (model, lot) = (word("model"), word("lot"));
                let (size, construction) = (word("size"), word("construction"));
                Some(ItemEntry {
                    serial: serial?,
                    model: model?,
                    lot: lot?,
                    size: size?,
                    construction: construction?,
                })
            });
            if !root.has("item") {
                root.fault("item", "no [[item]] in this file");
            }
            Some(items)
        },
    )?)
}
