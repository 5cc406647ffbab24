//! `muffle lot`.

mod scan;

use std::path::PathBuf;

use clap::{Args, Subcommand};
use comfy_table::Cell;
use serde_json::json;

use super::measure::{
    PICTURE_PX, PictureKind, Task, caution, conduct, picture_kind, stop_on_signal,
};
use super::watch::{Person, Watch};
use super::{CliError, StationArg, StoreArg, print, print_json, table, verdict_code, write_file};
use crate::analysis::lot::{AttributePlan, OcPoint};
use crate::analysis::tolerance::Method;
use crate::config::{self, Arrangement, LotEntry, Plan, load_lot};
use crate::daemon::Presence;
use crate::evaluate::lot::{
    LotDocument, attribute_plan, bind, check_plan, curve, described, judge, known, percent, rule,
    rule_in_words,
};
use crate::quantity::{Frequency, Ratio};
use crate::report::{one_decimal, operating_characteristic, png};
use crate::store::{Lot, ResultKind, Store, Verdict};

use scan::Followed;
pub(super) use scan::{Scan, Way};

/// Rows of the operating characteristic that a table shows.
const CURVE_ROWS: usize = 11;

/// Arguments of `lot`.
#[derive(Debug, Args)]
pub(super) struct LotArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Put a lot in: its model, its size, how many units are measured, and when it is accepted.
    New(NewArgs),
    /// List the lots.
    List(ListArgs),
    /// Show a lot, its plan and its units.
    Show(OneArgs),
    /// Measure units of a lot as their serials are scanned, one after another.
    Measure(MeasureArgs),
    /// Judge a lot by what was measured of it.
    Judge(OneArgs),
    /// Show how likely a plan by attributes accepts a lot, by how bad it is.
    Curve(CurveArgs),
}

#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  muffle lot new --file config/lot.toml\n  muffle lot new 2026-11 --model \"field pouch\" --size 200 --sample 13 --accept 0\n  muffle lot new 2026-12 --model \"field pouch\" --content 0.9 --confidence 0.95   (the smallest sample)\n\nWith --accept the lot is judged by attributes, with --content by variables, with both by both.\nWith --plan every unit is held to that plan file, else to that of the first unit measured: a unit that was measured\nat fewer frequencies, faces or polarisations, or against another limit, does not count.\nAll this can be changed until the first unit is measured."
)]
struct NewArgs {
    /// Its name, unless a file is given.
    #[arg(required_unless_present = "file", conflicts_with = "file")]
    name: Option<String>,
    /// The lot file.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["model", "size", "sample", "accept", "content", "confidence", "guard", "counts", "plan", "note"])]
    file: Option<PathBuf>,
    /// What its units are.
    #[arg(long, default_value = "")]
    model: String,
    /// Units in the lot; leave it out for a running production.
    #[arg(long)]
    size: Option<u32>,
    /// Units that are measured; left out, the smallest number that shows --content.
    #[arg(long)]
    sample: Option<u32>,
    /// By attributes: so many of the sample may fail.
    #[arg(long)]
    accept: Option<u32>,
    /// By variables: the share of the lot that must meet the limit, such as 0.9.
    #[arg(long)]
    content: Option<f64>,
    /// The confidence of what is said about the lot.
    #[arg(long)]
    confidence: Option<f64>,
    /// Distance kept from the limit by variables; left out, the uncertainty that the units share.
    #[arg(long, value_name = "RATIO")]
    guard: Option<Ratio>,
    /// Which result of a unit measured again decides: latest or worst.
    #[arg(long)]
    counts: Option<String>,
    /// The plan file that its units are measured by; left out, that of the first unit measured.
    #[arg(long, value_name = "FILE")]
    plan: Option<PathBuf>,
    /// Anything else.
    #[arg(long, default_value = "")]
    note: String,
    #[command(flatten)]
    store: StoreArg,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Args)]
struct ListArgs {
    #[command(flatten)]
    store: StoreArg,
    /// At most so many.
    #[arg(long, default_value_t = 50)]
    limit: u32,
    /// Leave out so many first.
    #[arg(long, default_value_t = 0)]
    offset: u32,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Args)]
#[command(
    after_help = "`judge` ends with 0 when the lot is accepted, 1 when it is rejected, 2 when it is undecided."
)]
struct OneArgs {
    /// The lot.
    name: String,
    #[command(flatten)]
    store: StoreArg,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Args)]
#[command(
    after_help = "A barcode scanner that ends with Enter does. An empty line, or `done`, ends. A serial that was measured\nbefore is measured again when it is scanned twice. The reference is measured once for all units. With a\n[placement] command in the station file nothing else is asked."
)]
struct MeasureArgs {
    /// The lot.
    name: String,
    /// The plan file.
    plan: PathBuf,
    #[command(flatten)]
    station: StationArg,
    #[command(flatten)]
    store: StoreArg,
    /// Who measures.
    #[arg(long, env = "MUFFLE_OPERATOR")]
    operator: Option<String>,
    /// Print the lot as JSON at the end.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  muffle lot curve 2026-11\n  muffle lot curve --sample 13 --accept 0 --size 200 --picture oc.svg"
)]
struct CurveArgs {
    /// A lot with a plan by attributes.
    #[arg(required_unless_present = "sample", conflicts_with_all = ["sample", "accept", "size"])]
    name: Option<String>,
    /// Units that are measured.
    #[arg(long, requires = "accept")]
    sample: Option<u64>,
    /// So many of them may fail.
    #[arg(long)]
    accept: Option<u64>,
    /// Units in the lot; leave it out for a running production.
    #[arg(long)]
    size: Option<u64>,
    #[command(flatten)]
    store: StoreArg,
    /// Write the curve there (.svg or .png).
    #[arg(long, value_name = "FILE")]
    picture: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

pub(super) async fn run(args: LotArgs) -> Result<u8, CliError> {
    match args.what {
        What::New(args) => new(args).await,
        What::List(args) => list(args).await,
        What::Show(args) => show(args).await,
        What::Measure(args) => measure(args).await,
        What::Judge(args) => judged(args).await,
        What::Curve(args) => operating(args).await,
    }
}

async fn new(args: NewArgs) -> Result<u8, CliError> {
    let entry = match &args.file {
        Some(path) => load_lot(path)?,
        None => LotEntry {
            name: args.name.unwrap_or_default().trim().to_owned(),
            model: args.model,
            note: args.note,
            size: args.size,
            sample: args.sample,
            accept: args.accept,
            content: args.content,
            confidence: args.confidence,
            guard: args.guard,
            counts: args.counts,
            plan: args.plan,
        },
    };
    let mut lot = described(&entry, jiff::Timestamp::now())?;
    let plan = entry.plan.as_deref().map(Plan::load).transpose()?;
    let store = Store::open(&args.store.store).await?;
    if let (Some(plan), Some(path)) = (plan, &entry.plan) {
        bind(&store, &mut lot, &path.display().to_string(), &plan).await?;
    }
    store.put_lot(&lot).await?;
    let kept = known(&store, &lot.name).await?;
    store.close().await;
    match args.json {
        true => print_json(&kept)?,
        false => print(&describe(&kept))?,
    }
    Ok(0)
}

async fn list(args: ListArgs) -> Result<u8, CliError> {
    let store = Store::open_read_only(&args.store.store).await?;
    let lots = store.lots(args.limit, args.offset).await?;
    if args.json {
        return print_json(&json!({ "lots": lots })).map(|()| 0);
    }
    let mut rows = table::table(&[
        "lot",
        "model",
        "size",
        "sample",
        "by attributes",
        "by variables",
    ]);
    for lot in &lots {
        let rule = lot.rule.as_ref();
        let cell = |text: Option<String>| Cell::new(text.unwrap_or_else(|| "–".to_owned()));
        rows.add_row(vec![
            Cell::new(table::shown(&lot.name)),
            cell(lot.model.as_deref().map(table::shown)),
            cell(rule.and_then(|rule| Some(rule.size?.to_string()))),
            cell(rule.map(|rule| rule.sample.to_string())),
            cell(rule.and_then(|rule| Some(format!("{} may fail", rule.accept?)))),
            cell(rule.and_then(|rule| {
                let content = percent(rule.content?);
                Some(format!("{content} meet the limit"))
            })),
        ]);
    }
    print(&table::trim_lines(&rows.to_string()))?;
    if lots.len() == args.limit as usize {
        eprintln!("there may be more: --offset {}", args.offset + args.limit);
    }
    Ok(0)
}

async fn show(args: OneArgs) -> Result<u8, CliError> {
    let store = Store::open_read_only(&args.store.store).await?;
    let document = judge(&store, &args.name).await?;
    match args.json {
        true => print_json(&document)?,
        false => print(&format!(
            "{}\n\n{}\n\n{}",
            describe(&document.lot),
            units(&document),
            document.sentence()
        ))?,
    }
    Ok(0)
}

async fn judged(args: OneArgs) -> Result<u8, CliError> {
    let store = Store::open_read_only(&args.store.store).await?;
    let document = judge(&store, &args.name).await?;
    rule(&document.lot)?;
    match args.json {
        true => print_json(&document)?,
        false => print(&judgement(&document))?,
    }
    Ok(match document.verdict {
        None => 2,
        verdict => verdict_code(verdict),
    })
}

/// A lot and its plan, in words.
fn describe(lot: &Lot) -> String {
    let mut lines = vec![match &lot.model {
        Some(model) => format!("lot {}, {}", table::shown(&lot.name), table::shown(model)),
        None => format!("lot {}", table::shown(&lot.name)),
    }];
    lines.extend(lot.note.as_deref().map(table::shown));
    lines.extend(rule_in_words(lot));
    lines.join("\n")
}

/// The units, each with the runs it was measured in.
fn units(document: &LotDocument) -> String {
    let mut rows = table::table(&[
        "unit",
        "verdict",
        "least margin dB",
        "at",
        "run",
        "all results",
    ]);
    for unit in &document.units {
        let margin = unit.margin_db.map_or("–".to_owned(), |db| match unit.kind {
            ResultKind::AtLeast => format!("≥ {}", one_decimal((db * 10.0 + 1e-6).floor() / 10.0)),
            _ => one_decimal(db),
        });
        let counting = unit.runs.iter().find(|run| run.counts);
        let word = |verdict: Option<Verdict>| verdict.map_or("–", Verdict::as_str);
        let all: Vec<_> = unit.runs.iter().map(|run| word(run.verdict)).collect();
        rows.add_row(vec![
            Cell::new(table::shown(&unit.serial)),
            Cell::new(match document.place_of(unit) {
                None => word(unit.verdict).to_owned(),
                Some(place) => format!("{}, {place}", word(unit.verdict)),
            }),
            table::right(margin),
            table::right(
                unit.frequency_hz
                    .map_or(String::new(), |hz| Frequency::from_hz(hz).to_string()),
            ),
            Cell::new(counting.map_or(String::new(), |run| run.run.to_string())),
            Cell::new(match all.len() {
                1 => String::new(),
                _ => all.join(", "),
            }),
        ]);
    }
    table::trim_lines(&rows.to_string())
}

/// Everything a lot's verdict rests on.
fn judgement(document: &LotDocument) -> String {
    let mut text = format!("{}\n\n{}\n", describe(&document.lot), units(document));
    if !document.variables.is_empty() {
        let mut rows = table::table(&[
            "frequency",
            "limit dB",
            "guard dB",
            "mean dB",
            "sd dB",
            "bounds",
            "k",
            "tolerance limit dB",
            "from",
            "by variables",
        ]);
        for at in &document.variables {
            let result = &at.result;
            rows.add_row(vec![
                table::right(Frequency::from_hz(at.frequency_hz).to_string()),
                table::number(Some(result.limit_db)),
                table::number(Some(result.plan.guard_db)),
                table::number(result.mean_db),
                table::number(result.sd_db),
                table::right(format!("{} of {}", result.bounds, result.units)),
                table::right(result.factor.map_or("–".to_owned(), |k| format!("{k:.3}"))),
                table::number(result.tolerance_limit_db),
                Cell::new(match result.method {
                    Method::Exact => "mean − k sd",
                    Method::CensoredLikelihood => "likelihood, bounds as bounds",
                    Method::OrderStatistics => "order of the values",
                }),
                Cell::new(result.verdict.as_str()),
            ]);
        }
        text.push_str(&format!("\n{}\n", table::trim_lines(&rows.to_string())));
    }
    text.push_str(&format!("\n{}\n", document.sentence()));
    for reason in &document.reasons {
        text.push_str(&format!("  {reason}\n"));
    }
    text.trim_end().to_owned()
}

async fn operating(args: CurveArgs) -> Result<u8, CliError> {
    let picture = args.picture.as_deref().map(picture_kind).transpose()?;
    let (plan, title) = match (&args.name, args.sample, args.accept) {
        (Some(name), _, _) => {
            let store = Store::open_read_only(&args.store.store).await?;
            let lot = known(&store, name).await?;
            let plan = attribute_plan(rule(&lot)?).ok_or_else(|| {
                CliError::Input(format!(
                    "lot {name} is judged by variables only; the curve is that of a plan by attributes"
                ))
            })?;
            (plan, format!("lot {}", lot.name))
        }
        (None, sample, accept) => {
            let plan = AttributePlan::new(
                sample.unwrap_or_default(),
                accept.unwrap_or_default(),
                args.size,
            );
            (plan, "sampling plan".to_owned())
        }
    };
    let plan = plan.map_err(|cause| CliError::Input(cause.to_string()))?;
    let points = curve(&plan);
    if let (Some(path), Some(kind)) = (&args.picture, picture) {
        let svg = operating_characteristic(&title, &plan, &points).svg();
        let bytes = match kind {
            PictureKind::Svg => svg.into_bytes(),
            PictureKind::Png => png(&svg, PICTURE_PX)?,
        };
        write_file(path, &bytes)?;
    }
    let qualities = (plan.quality_accepted(0.95), plan.quality_accepted(0.10));
    if args.json {
        return print_json(&json!({
            "plan": plan, "producer_quality": qualities.0, "consumer_quality": qualities.1,
            "points": points,
        }))
        .map(|()| 0);
    }
    print(&curve_table(&plan, &points, qualities)).map(|()| 0)
}

fn curve_table(plan: &AttributePlan, points: &[OcPoint], (good, bad): (f64, f64)) -> String {
    let mut rows = table::table(&["nonconforming %", "accepted %"]);
    let step = (points.len() - 1).div_ceil(CURVE_ROWS - 1).max(1);
    for point in points.iter().step_by(step) {
        rows.add_row(vec![
            table::right(format!("{:.2}", 100.0 * point.nonconforming)),
            table::right(format!("{:.1}", 100.0 * point.accepted)),
        ]);
    }
    let of = plan.lot.map_or("a running production".to_owned(), |size| {
        format!("a lot of {size}")
    });
    format!(
        "{} units of {of}, {} may fail\n\n{}\n\nLots with {:.2} % nonconforming are accepted in 95 % of cases, lots with more than {:.2} % in less than 10 %.",
        plan.sample,
        plan.accept,
        table::trim_lines(&rows.to_string()),
        100.0 * good,
        100.0 * bad
    )
}

async fn measure(args: MeasureArgs) -> Result<u8, CliError> {
    let station = config::Station::load(&args.station.station)?;
    let plan = Plan::load(&args.plan)?;
    plan.check(&station)?;
    if plan.limit.is_empty() {
        return Err(CliError::Input(
            "the plan has no [limit], and a lot is judged against one".to_owned(),
        ));
    }
    if plan.arrangement == Arrangement::Scheduled {
        return Err(CliError::Input(
            "a lot decides by each unit what comes next, and `arrangement = \"scheduled\"` gives its results only when a recording is merged; use another arrangement, or measure the units with `muffle measure --item SERIAL --lot NAME`".to_owned(),
        ));
    }
    let store = Store::open(&args.store.store).await?;
    let lot = known(&store, &args.name).await?;
    check_plan(&store, &lot, &plan).await?;
    caution(&station, Some(&plan));
    let scan = Scan { lot, plan };
    let daemon = Presence::of(store.path()).filter(|there| there.stations.contains(&station.name));
    let done = match daemon {
        Some(daemon) => {
            eprintln!(
                "Process {} serves this station: each unit goes into its queue and is followed from here.",
                daemon.pid
            );
            let person = Person::new(Watch::new(None).bar());
            let followed = Followed {
                store: &store,
                station: &station,
                operator: args.operator,
                person: &person,
                stop: stop_on_signal()?,
            };
            scan.units(&Way::Daemon(followed), &person).await
        }
        None => {
            let task = Task::Lot(Box::new(scan));
            let opening = crate::station::Opening::by_this_program();
            conduct(&store, station, &opening, task, args.operator, None).await
        }
    };
    if let Err(error) = done {
        eprintln!("What was measured is kept; scan on with the same command.");
        return Err(error);
    }
    let document = judge(&store, &args.name).await?;
    match args.json {
        true => print_json(&document)?,
        false => print(&judgement(&document))?,
    }
    store.close().await;
    Ok(match document.verdict {
        None => 2,
        verdict => verdict_code(verdict),
    })
}
