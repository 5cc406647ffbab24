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
    /// After how many cycles of use (washes, foldings) it is measured, where somebody counts.
    #[serde(default)]
    pub cycles: Option<u32>,
    /// Whether it is a stable item that checks the station.
    #[serde(default)]
    pub check_item: bool,
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
                let cycles = section.optional::<u32>("cycles");
                let check_item = section.or("check_item", false);
                Some(ItemEntry {
                    serial: serial?,
                    model: model?,
                    lot: lot?,
                    size: size?,
                    construction: construction?,
                    cycles,
                    check_item: check_item?,
                })
            });
            if !root.has("item") {
                root.fault("item", "no [[item]] in this file");
            }
            Some(items)
        },
    )?)
}
