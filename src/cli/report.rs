//! `muffle report`.

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use jiff::Timestamp;

use super::measure::find_run;
use super::shield::item_run;
use super::{CliError, StoreArg, print_json, write_file};
use crate::analysis::shield::ask::{self, Asked};
use crate::config::Template;
use crate::evaluate::compare::{Question, compare, side};
use crate::evaluate::lot::judge;
use crate::quantity::Ratio;
use crate::report::{
    self, Asides, BUILT_IN, Document, HandMaterial, ItemMaterial, Proofs, RunDocument, RunMaterial,
    Texts, Wanted,
};
use crate::store::{RunKind, RunRecord, Store};

/// Arguments of `report`.
#[derive(Debug, Args)]
#[command(
    after_help = "Example: muffle report run latest --out se.pdf --out se.html --template my-letterhead\n\n\
    The same run, texts and --printed give the same bytes."
)]
pub(super) struct ReportArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Report on one run.
    Run {
        /// The run: its id, the beginning of it, or `latest`.
        run: String,
        #[command(flatten)]
        beside: Beside,
        #[command(flatten)]
        how: How,
    },
    /// Report on an item: its runs, where they lead, and the newest with all its evidence.
    Item {
        /// The item's serial.
        serial: String,
        #[command(flatten)]
        beside: Beside,
        #[command(flatten)]
        how: How,
    },
    /// Report on a comparison of runs, items, models or lots.
    Compare {
        /// The sides, as `muffle compare` takes them.
        #[arg(required = true, num_args = 2..)]
        sides: Vec<String>,
        /// Equal means within this distance.
        #[arg(long, value_name = "RATIO", default_value = "3 dB")]
        within: Ratio,
        /// The confidence of each claim.
        #[arg(long, default_value_t = 0.95)]
        confidence: f64,
        /// Each face and polarisation by itself instead of the least of them.
        #[arg(long)]
        by_face: bool,
        #[command(flatten)]
        how: How,
    },
    /// Report on a lot.
    Lot {
        /// The lot's name.
        lot: String,
        #[command(flatten)]
        how: How,
    },
    /// Write a template to adapt: letterhead, texts of a language, style sheet.
    Template {
        /// The folder it goes into; it must not be there yet.
        folder: PathBuf,
        /// The language to begin with.
        #[arg(long, default_value = "en")]
        language: String,
    },
}

/// What is asked of theory besides, to stand beside the measurement.
#[derive(Debug, Args)]
struct Beside {
    /// A question of theory, like `slot length=18mm`; the names and inputs are those of `muffle shield`.
    #[arg(long, value_name = "QUESTION", value_parser = ask::parse)]
    beside: Vec<Asked>,
    /// What is left inside of the early-time pulse of IEC 61000-2-9.
    #[arg(long)]
    pulse: bool,
    /// What the item and that of this run would give, one inside the other.
    #[arg(long, value_name = "RUN")]
    around: Vec<String>,
}

impl Beside {
    async fn asides(self, store: &Store, document: &RunDocument) -> Result<Asides, CliError> {
        let mut around = Vec::with_capacity(self.around.len());
        for run in &self.around {
            around.push(item_run(store, run).await?);
        }
        let is_asked = !self.beside.is_empty() || self.pulse || !around.is_empty();
        if is_asked && document.kind != RunKind::Item {
            return Err(CliError::Input(
                "theory stands beside the run of an item; this one is a reference".to_owned(),
            ));
        }
        Ok(Asides::of(document, self.beside, self.pulse, around)?)
    }
}

/// How a report is made.
#[derive(Debug, Args)]
struct How {
    #[command(flatten)]
    store: StoreArg,
    /// Write the report there; the ending says how: .html, .pdf or .csv. May be given several times.
    #[arg(long, value_name = "FILE", required_unless_present = "json")]
    out: Vec<PathBuf>,
    /// Which table a .csv holds (`--json` names them all); the main one when absent.
    #[arg(long, value_name = "NAME")]
    table: Option<String>,
    /// A folder with letterhead, texts and style; `muffle report template` writes one.
    #[arg(long, value_name = "FOLDER", env = "MUFFLE_TEMPLATE")]
    template: Option<PathBuf>,
    /// The language: `en`, `de`, or that of the template.
    #[arg(long)]
    language: Option<String>,
    /// When it is printed (RFC 3339), instead of now; `never` leaves the line out.
    #[arg(long, value_name = "TIME", value_parser = printed)]
    printed: Option<Printed>,
    /// Leave out what the curve is consistent with.
    #[arg(long)]
    no_theory: bool,
    /// Print the content of the report as JSON.
    #[arg(long)]
    json: bool,
}

/// When a report is said to be printed.
#[derive(Debug, Clone, Copy)]
enum Printed {
    At(Timestamp),
    Never,
}

fn printed(text: &str) -> Result<Printed, String> {
    match text {
        "never" => Ok(Printed::Never),
        text => text
            .parse()
            .map(Printed::At)
            .map_err(|_| "write a time like 2026-01-31T09:00:00Z, or `never`".to_owned()),
    }
}

pub(super) async fn run(args: ReportArgs) -> Result<u8, CliError> {
    match args.what {
        What::Run { run, beside, how } => {
            let mut ready = how.ready()?;
            let store = Store::open_read_only(&how.store.store).await?;
            let record = find_run(&store, &run).await?;
            let document = match record.imported {
                true => {
                    let material = HandMaterial::read(&store, &record).await?;
                    ready.asides = beside.asides(&store, material.document()).await?;
                    report::hand_report(&material, &ready.wanted())
                }
                false => {
                    let material = RunMaterial::read(&store, &record).await?;
                    ready.asides = beside.asides(&store, material.document()).await?;
                    report::run_report(&material, &ready.wanted())
                }
            };
            how.deliver(&document, &ready)?;
        }
        What::Item {
            serial,
            beside,
            how,
        } => {
            let mut ready = how.ready()?;
            let store = Store::open_read_only(&how.store.store).await?;
            let material = ItemMaterial::read(&store, &serial).await?;
            ready.asides = beside.asides(&store, material.newest()).await?;
            let document = report::item_report(&material, &ready.wanted());
            how.deliver(&document, &ready)?;
        }
        What::Compare {
            sides,
            within,
            confidence,
            by_face,
            how,
        } => {
            let question = Question {
                within_db: within.db(),
                confidence,
                by_face,
            };
            comparison(&sides, &question, &how).await?;
        }
        What::Lot { lot, how } => {
            let ready = how.ready()?;
            let store = Store::open_read_only(&how.store.store).await?;
            let judged = judge(&store, &lot).await?;
            let runs = judged.units.iter().flat_map(|unit| &unit.runs);
            let proofs = Proofs::read(&store, runs.map(|run| run.run)).await?;
            let document = report::lot_report(&judged, &proofs, &ready.wanted())?;
            how.deliver(&document, &ready)?;
        }
        What::Template { folder, language } => template(&folder, &language)?,
    }
    Ok(0)
}

async fn comparison(sides: &[String], question: &Question, how: &How) -> Result<(), CliError> {
    let ready = how.ready()?;
    let store = Store::open_read_only(&how.store.store).await?;
    let mut read = Vec::with_capacity(sides.len());
    for text in sides {
        read.push(side(&store, text).await?);
    }
    let compared = compare(read, question)?;
    let runs = compared.sides.iter().flat_map(|side| &side.runs);
    let proofs = Proofs::read(&store, runs.map(|run| run.run)).await?;
    let document = report::comparison_report(&compared, &proofs, &ready.wanted());
    how.deliver(&document, &ready)
}

/// Template and texts, read and looked through.
struct Ready {
    template: Template,
    texts: Texts,
    printed: Option<Timestamp>,
    theory: bool,
    asides: Asides,
}

impl Ready {
    fn wanted(&self) -> Wanted<'_> {
        Wanted {
            texts: &self.texts,
            template: &self.template,
            printed: self.printed,
            theory: self.theory,
            asides: &self.asides,
        }
    }
}

/// A run's report in English without a letterhead, as HTML and as PDF.
pub(super) async fn plain(store: &Store, run: &RunRecord) -> Result<(String, Vec<u8>), CliError> {
    let template = Template::default();
    let ready = Ready {
        texts: Texts::of(None, &template),
        template,
        printed: Some(Timestamp::now()),
        theory: true,
        asides: Asides::default(),
    };
    let material = RunMaterial::read(store, run).await?;
    let document = report::run_report(&material, &ready.wanted());
    Ok((report::html(&document, None)?, report::pdf(&document)?))
}

/// What a file's ending asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Ending {
    Html,
    Pdf,
    Csv,
}

fn ending(path: &Path) -> Result<Ending, CliError> {
    match path.extension().and_then(|ending| ending.to_str()) {
        Some("html" | "htm") => Ok(Ending::Html),
        Some("pdf") => Ok(Ending::Pdf),
        Some("csv") => Ok(Ending::Csv),
        _ => Err(CliError::Input(format!(
            "{}: a report's name ends in .html, .pdf or .csv",
            path.display()
        ))),
    }
}

impl How {
    /// Everything that can be wrong with what was asked, before the store is opened.
    fn ready(&self) -> Result<Ready, CliError> {
        for path in &self.out {
            ending(path)?;
        }
        let template = match &self.template {
            Some(folder) => Template::load(folder)?,
            None => Template::default(),
        };
        let texts = Texts::of(self.language.as_deref(), &template);
        let known = BUILT_IN
            .iter()
            .any(|(language, _)| *language == texts.language());
        if !known && template.texts.is_empty() {
            return Err(CliError::Input(format!(
                "there are no texts in `{}`; built in: {}; a template brings others (`muffle report template`)",
                texts.language(),
                BUILT_IN.map(|(language, _)| language).join(", ")
            )));
        }
        for key in texts.unknown() {
            eprintln!("report: no report asks for the text `{key}`");
        }
        Ok(Ready {
            template,
            texts,
            printed: match self.printed {
                Some(Printed::At(at)) => Some(at),
                Some(Printed::Never) => None,
                None => Some(Timestamp::now()),
            },
            theory: !self.no_theory,
            asides: Asides::default(),
        })
    }

    fn deliver(&self, document: &Document, ready: &Ready) -> Result<(), CliError> {
        for path in &self.out {
            let bytes = match ending(path)? {
                Ending::Html => {
                    report::html(document, ready.template.style.as_deref())?.into_bytes()
                }
                Ending::Pdf => report::pdf(document)?,
                Ending::Csv => report::csv(document, self.table.as_deref())?.into_bytes(),
            };
            write_file(path, &bytes)?;
            eprintln!("report    {}", path.display());
        }
        for key in ready.texts.missing() {
            let language = ready.texts.language();
            eprintln!("report: `{language}` has no text `{key}`; the English one is used");
        }
        match self.json {
            true => print_json(document),
            false => Ok(()),
        }
    }
}

const TEMPLATE: &str = r#"# Letterhead, texts and style of reports: `muffle report run latest --out se.pdf --template THIS_FOLDER`.
# Every line may be left out.

# The language; `texts` below may bring another than those built in.
language = "LANGUAGE"

# Who reports.
name = "Your name"
address = ["Street 1", "Town"]

# A file in this folder, .svg or .png, drawn 40 points high at most.
# logo = "logo.svg"

# A file in this folder with texts to change or translate; what it lacks is taken from English and named.
texts = "texts.toml"

# A style sheet in this folder, added to the built-in one of HTML reports.
style = "style.css"
"#;

/// Writes a template that is complete and changes nothing yet.
fn template(folder: &Path, language: &str) -> Result<(), CliError> {
    let texts = BUILT_IN.iter().find(|(known, _)| *known == language);
    let Some((_, texts)) = texts else {
        return Err(CliError::Input(format!(
            "there are no texts in `{language}` to begin with; take one of {} and translate texts.toml",
            BUILT_IN.map(|(language, _)| language).join(", ")
        )));
    };
    std::fs::create_dir(folder).map_err(|error| {
        CliError::Input(format!(
            "cannot make the folder {}: {error}",
            folder.display()
        ))
    })?;
    let named = TEMPLATE.replace("LANGUAGE", language);
    write_file(&folder.join("template.toml"), named.as_bytes())?;
    write_file(&folder.join("texts.toml"), texts.as_bytes())?;
    let style = "/* For example: h1 { font-weight: 400 } */\n";
    write_file(&folder.join("style.css"), style.as_bytes())?;
    eprintln!("template  {}", folder.display());
    Ok(())
}
