//! A report template: a folder with `template.toml`, which names language, sender, logo, texts and style.
//!
//! Everything may be left out; what is there is checked, because a report that quietly came out in another
//! language or without its logo would be found out by whoever received it.

use std::collections::BTreeMap;
use std::path::Path;

use super::document::Document;
use super::{ConfigError, read_bounded, read_file};

/// The largest logo, bytes: it goes into every report.
const LOGO_BYTES_MAX: u64 = 2 << 20;

/// How reports of one house look and speak.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Template {
    /// Language of the texts, such as `en`; decides the built-in ones that the rest are taken from.
    pub language: Option<String>,
    /// Name in the letterhead.
    pub name: String,
    /// Address, line by line.
    pub address: Vec<String>,
    /// The logo.
    pub logo: Option<LogoFile>,
    /// Style sheet added to the built-in one of HTML reports.
    pub style: Option<String>,
    /// Texts by key, instead of the built-in ones.
    pub texts: BTreeMap<String, String>,
}

/// A logo as it was read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LogoFile {
    /// The file.
    pub bytes: Vec<u8>,
    /// Whether it is SVG; else it is PNG.
    pub svg: bool,
}

/// What `template.toml` says, before the files it names are read.
struct Named {
    template: Template,
    logo: Option<String>,
    style: Option<String>,
    texts: Option<String>,
}

impl Template {
    /// Reads the template in a folder.
    ///
    /// # Errors
    /// All faults of its files, with line and key.
    pub fn load(folder: &Path) -> Result<Self, ConfigError> {
        let path = folder.join("template.toml");
        let text = read_file(&path)?;
        let named = Document::read(&path.display().to_string(), &text, |root| {
            Some(Named {
                template: Self {
                    language: root.optional("language"),
                    name: root.or("name", String::new())?,
                    address: root.or("address", Vec::new())?,
                    ..Self::default()
                },
                logo: root.checked("logo", Some(String::new()), check_logo)?,
                style: root.optional("style"),
                texts: root.optional("texts"),
            })
        })?;
        let mut template = named.template;
        if let Some(name) = named.logo {
            template.logo = Some(read_logo(&folder.join(&name))?);
        }
        if let Some(name) = named.style {
            template.style = Some(read_file(&folder.join(name))?);
        }
        if let Some(name) = named.texts {
            let path = folder.join(name);
            template.texts = texts(&path.display().to_string(), &read_file(&path)?)?;
        }
        Ok(template)
    }
}

/// The texts of a file, by their keys with the tables they lie in (`setup.distance`).
///
/// # Errors
/// All its faults, with line and key.
pub fn texts(file: &str, text: &str) -> Result<BTreeMap<String, String>, ConfigError> {
    Ok(Document::read(file, text, |root| Some(root.all_texts()))?)
}

fn check_logo(name: String) -> Result<Option<String>, String> {
    match Path::new(&name).extension().and_then(|e| e.to_str()) {
        None if name.is_empty() => Ok(None),
        Some("svg" | "png") => Ok(Some(name)),
        _ => Err("must be a file ending in .svg or .png".to_owned()),
    }
}

fn read_logo(path: &Path) -> Result<LogoFile, ConfigError> {
    let unreadable = |cause| ConfigError::Unreadable {
        path: path.to_owned(),
        cause,
    };
    Ok(LogoFile {
        bytes: read_bounded(path, LOGO_BYTES_MAX).map_err(unreadable)?,
        svg: path.extension().is_some_and(|ending| ending == "svg"),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn folder(files: &[(&str, &str)]) -> tempfile::TempDir {
        let folder = tempfile::tempdir().expect("a folder");
        for (name, text) in files {
            std::fs::write(folder.path().join(name), text).expect("written");
        }
        folder
    }

    #[test]
    fn a_template_is_read_with_the_files_it_names() {
        let folder = folder(&[
            (
                "template.toml",
                "language = \"fr\"\nname = \"Tarn End\"\naddress = [\"Mill Lane 1\", \"Skell\"]\n\
                 logo = \"l.svg\"\nstyle = \"s.css\"\ntexts = \"fr.toml\"\n",
            ),
            ("l.svg", "<svg/>"),
            ("s.css", "h1 { color: black }"),
            ("fr.toml", "decimal = \",\"\n[setup]\ntitle = \"Montage\"\n"),
        ]);
        let template = Template::load(folder.path()).expect("a template");
        assert_eq!(template.language.as_deref(), Some("fr"));
        assert_eq!(template.address.len(), 2);
        assert!(template.logo.is_some_and(|logo| logo.svg));
        assert_eq!(template.style.as_deref(), Some("h1 { color: black }"));
        assert_eq!(template.texts["setup.title"], "Montage");
        assert_eq!(template.texts["decimal"], ",");
    }

    #[test]
    fn faults_of_a_template_are_named_with_their_place() {
        let said = |template: &str, texts: &str| {
            let files = [("template.toml", template), ("t.toml", texts)];
            let folder = folder(&files);
            Template::load(folder.path())
                .expect_err("faulty")
                .to_string()
        };
        let two = said("logo = \"l.gif\"\nnamee = \"x\"\n", "");
        assert!(
            two.contains("`logo`") && two.contains(".svg or .png"),
            "{two}"
        );
        assert!(two.contains("`namee`"), "{two}");
        let number = said("texts = \"t.toml\"\n", "[setup]\ntitle = 3\n");
        assert!(
            number.contains("t.toml:2") && number.contains("`setup.title`"),
            "{number}"
        );
        assert!(said("style = \"none.css\"\n", "").contains("none.css"));
    }
}
