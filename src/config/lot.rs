//! The lot file: units of one model made together, how many are measured, and when the lot is accepted.

use std::path::{Path, PathBuf};

use super::document::Document;
use super::{ConfigError, read_file};
use crate::quantity::Ratio;

/// A lot as it is described; what does not go together is found when its rule is made.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct LotEntry {
    /// Its name.
    pub name: String,
    /// What its units are; empty when not said.
    pub model: String,
    /// Anything else.
    pub note: String,
    /// Units in the lot; none for a running production.
    pub size: Option<u32>,
    /// Units that are measured; none for the smallest sample that shows `content`.
    pub sample: Option<u32>,
    /// By attributes: so many of them may fail.
    pub accept: Option<u32>,
    /// The share of the lot that must meet the limit; with it the lot is judged by variables.
    pub content: Option<f64>,
    /// The confidence of what is said about the lot.
    pub confidence: Option<f64>,
    /// Distance kept from the limit by variables; none for the uncertainty that the units share.
    pub guard: Option<Ratio>,
    /// `latest` or `worst`: which result of a unit measured again decides.
    pub counts: Option<String>,
    /// The plan file that its units are measured by; none for that of the first unit.
    pub plan: Option<PathBuf>,
}

/// Reads a lot file.
pub fn load_lot(path: &Path) -> Result<LotEntry, ConfigError> {
    let text = read_file(path)?;
    Ok(Document::read(
        &path.display().to_string(),
        &text,
        |root| {
            let name = root.checked("name", None, |name: String| match name.trim().is_empty() {
                true => Err("is empty".to_owned()),
                false => Ok(name.trim().to_owned()),
            });
            let model = root.or("model", String::new());
            let note = root.or("note", String::new());
            let mut count = |key| root.optional::<u32>(key);
            let (size, sample, accept) = (count("size"), count("sample"), count("accept"));
            let mut share = |key| root.optional::<f64>(key);
            let (content, confidence) = (share("content"), share("confidence"));
            let guard = root.optional::<Ratio>("guard");
            let counts = root.optional::<String>("counts");
            // Named from where the lot file is, not from where the program was started.
            let folder = path.parent().unwrap_or(Path::new(""));
            let plan = root.optional::<String>("plan");
            let plan = plan.map(|plan| folder.join(plan));
            Some(LotEntry {
                name: name?,
                model: model?,
                note: note?,
                size,
                sample,
                accept,
                content,
                confidence,
                guard,
                counts,
                plan,
            })
        },
    )?)
}
