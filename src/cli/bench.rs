//! `muffle bench`.

use std::path::PathBuf;

use clap::{Args, Subcommand};
use comfy_table::Cell;
use serde_json::json;

use super::{
    CliError, StationArg, StoreArg, find, print, print_json, stability, table, write_file,
};
use crate::config::{self, Arrangement, Plan};
use crate::procedure::forecast::{
    Basis, ClosingForecast, Comparison, Forecast, PointForecast, forecast, with_bands,
};
use crate::quantity::{Frequency, Level};
use crate::station::{Opening, Station, allowed_anywhere};
use crate::store::Store;

/// Arguments of `bench`.
#[derive(Debug, Args)]
pub(super) struct BenchArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Ask both instruments who they are, and see that the output is off. Nothing is transmitted.
    Check(CheckArgs),
    /// Say whether the station has moved: charts of its check items, its reference and its floor, and how well
    /// closings and operators repeat.
    History(stability::HistoryArgs),
    /// Make an item a check item of the station, or list them.
    CheckItem(stability::CheckItemArgs),
    /// List what could be an instrument: announced on the network, serial ports, USB. Nothing is set.
    Find(find::FindArgs),
    /// Say what a plan can see with this station, how long it takes, and what would do better. Nothing is
    /// opened and nothing is transmitted.
    Forecast(ForecastArgs),
}

#[derive(Debug, Args)]
struct CheckArgs {
    #[command(flatten)]
    station: StationArg,
    #[command(flatten)]
    store: StoreArg,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Levels come from the last reference measured with this station file, else from its link budget\n([transmit_antenna], [receive_antenna], noise_figure, distance). Limit, guard band and a reserve have\nto be visible: 3 dB above a reference, 6 dB above a link budget."
)]
struct ForecastArgs {
    /// The plan file.
    #[arg(value_name = "PLAN")]
    plan: PathBuf,
    #[command(flatten)]
    station: StationArg,
    #[command(flatten)]
    store: StoreArg,
    /// Take the link budget even if there is a reference.
    #[arg(long)]
    link_budget: bool,
    /// Write the plan with the chosen settings there, for `measure` to run.
    #[arg(long, value_name = "NEWPLAN")]
    write: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

pub(super) async fn run(args: BenchArgs) -> Result<u8, CliError> {
    match args.what {
        What::Check(args) => check(args).await,
        What::History(args) => stability::history(args).await,
        What::CheckItem(args) => stability::check_item(args).await,
        What::Find(args) => find::run(args).await,
        What::Forecast(args) => look_ahead(args).await,
    }
}

async fn look_ahead(args: ForecastArgs) -> Result<u8, CliError> {
    let plan = Plan::load(&args.plan)?;
    let station = config::Station::load(&args.station.station)?;
    plan.check(&station)?;
    if plan.arrangement != Arrangement::Linked && args.write.is_some() {
        return Err(CliError::Input(
            "--write chooses settings for each frequency by itself; the frequencies of a sealed or scheduled plan share a closing"
                .to_owned(),
        ));
    }
    let store = match !args.link_budget && args.store.store.exists() {
        true => Some(Store::open_read_only(&args.store.store).await?),
        false => None,
    };
    let forecast = forecast(&plan, &station, store.as_ref()).await?;
    match args.json {
        true => print_json(&forecast)?,
        false => print(&describe_forecast(&forecast))?,
    }
    if let Some(path) = &args.write {
        write_plan(path, &plan, &station, &forecast)?;
    }
    Ok(0)
}

/// Writes the plan with the chosen settings, after it has been read back and checked.
fn write_plan(
    path: &std::path::Path,
    plan: &Plan,
    station: &config::Station,
    forecast: &Forecast,
) -> Result<(), CliError> {
    if !plan.bands.is_empty() {
        return Err(CliError::Input(
            "the plan has [[settings.band]] of its own; take them out, or forecast the plan without them"
                .to_owned(),
        ));
    }
    let Some(text) = with_bands(plan, &forecast.points) else {
        eprintln!(
            "Nothing written: the plan's own settings are the best everywhere, or it has no limit."
        );
        return Ok(());
    };
    Plan::read(&path.display().to_string(), &text)
        .map_err(config::ConfigError::from)?
        .check(station)?;
    write_file(path, text.as_bytes())?;
    eprintln!("Written: {}", path.display());
    Ok(())
}

/// Frequency, what the plan shows there, what it has to, and what would show it in the least time.
fn describe_forecast(forecast: &Forecast) -> String {
    let mut rows = table::table(&[
        "frequency",
        "from",
        "source dBm",
        "reference dBm",
        "floor dBm",
        "range dB",
        "visible SE dB",
        "needed dB",
        "short dB",
        "choose RBW",
        "sweeps",
        "source dBm",
        "visible SE dB",
        "preamplifier",
    ]);
    for point in &forecast.points {
        let view = &point.view;
        let mut row = vec![
            table::right(Frequency::from_hz(point.frequency_hz).to_string()),
            Cell::new(match (point.basis, point.near_field) {
                (Basis::LinkBudget, true) => "near",
                (basis, _) => basis.words(),
            }),
        ];
        row.extend(
            [
                Some(view.source_dbm),
                Some(view.reference_dbm),
                Some(view.floor_dbm),
                Some(view.dynamic_range_db),
                Some(view.visible_se_db),
                point.needed_db,
                point.short_db,
            ]
            .map(table::number),
        );
        if let Some(chosen) = &point.chosen {
            let view = &chosen.view;
            let bandwidth = Frequency::from_hz(view.resolution_bandwidth_hz);
            row.push(table::right(bandwidth.to_string()));
            row.push(table::right(view.sweeps.to_string()));
            row.extend([view.source_dbm, view.visible_se_db].map(|db| table::number(Some(db))));
            let preamplifier = chosen.settings.preamplifier;
            row.push(Cell::new(preamplifier.map_or("", |it| it.word())));
        }
        rows.add_row(row);
    }
    let mut text = format!(
        "{} at {}\n\n{}\n",
        forecast.plan,
        forecast.station,
        table::trim_lines(&rows.to_string())
    );
    if !forecast.closings.is_empty() {
        text.push_str(&format!("\n{}\n", closings(&forecast.closings)));
    }
    for line in notes(forecast) {
        text.push('\n');
        text.push_str(&line);
    }
    text
}

/// The closings of a sealed item, and what each shows.
fn closings(closings: &[ClosingForecast]) -> String {
    let mut rows = table::table(&[
        "closing",
        "frequencies",
        "trace from",
        "to",
        "RBW",
        "point",
        "sweep",
        "closed for",
        "range dB",
        "visible SE dB",
        "short",
    ]);
    for (index, closing) in closings.iter().enumerate() {
        let hz = |hz: f64| table::right(Frequency::from_hz(hz.round()).to_string());
        rows.add_row(vec![
            table::right((index + 1).to_string()),
            table::right(closing.frequencies_hz.len().to_string()),
            hz(closing.start_hz),
            hz(closing.stop_hz),
            hz(closing.resolution_bandwidth_hz),
            hz(closing.bin_hz),
            table::right(time_text(closing.sweep_s)),
            table::right(time_text(closing.closed_s)),
            table::number(Some(closing.dynamic_range_db)),
            table::number(Some(closing.visible_se_db)),
            table::right(closing.short.to_string()),
        ]);
    }
    format!(
        "{}\n\nEach of these comes after a silent one as long, for every face, polarisation and repeat.",
        table::trim_lines(&rows.to_string())
    )
}

/// Everything below the table.
fn notes(forecast: &Forecast) -> Vec<String> {
    let mut notes = vec![match (&forecast.reference, forecast.reference_started) {
        (Some(run), Some(started)) => format!("Levels from reference {run} of {started}."),
        _ => "Levels from the link budget: there is no reference of this station yet.".to_owned(),
    }];
    notes.extend(
        forecast
            .assumed
            .iter()
            .map(|line| format!("  assumed: {line}")),
    );
    if let Some(guard) = forecast.points.iter().find(|p| p.needed_db.is_some()) {
        notes.push(format!(
            "Needed: the limit, {:.1} dB guard band and {:.0} dB reserve.",
            guard.guard_db, guard.reserve_db
        ));
    }
    notes.push(String::new());
    notes.extend(shortfall(&forecast.points));
    let time = &forecast.duration;
    notes.push(format!(
        "Time as written: reference {}, each item {}{}, of which placing {}.",
        time_text(time.reference_s),
        time_text(time.item_s),
        match time.check_s {
            0.0 => String::new(),
            check_s => format!(
                ", the look at the reference after them {}",
                time_text(check_s)
            ),
        },
        time_text(time.placing_s)
    ));
    notes.extend(forecast.comparison.as_ref().map(compare));
    if let Some(exposure) = &forecast.exposure {
        notes.push(exposure.sentence());
        notes.push("Local rules and licensed practice decide, not this program.".to_owned());
    }
    notes
}

/// Where the plan is blind, and what would help most where it lacks most.
fn shortfall(points: &[PointForecast]) -> Vec<String> {
    let short: Vec<_> = points
        .iter()
        .filter_map(|point| point.short_db.map(|db| (point, db)))
        .collect();
    let Some((worst, db)) = short.iter().max_by(|a, b| a.1.total_cmp(&b.1)) else {
        return Vec::new();
    };
    let mut lines = vec![format!(
        "WARNING: {} of {} frequencies cannot show what is needed with the plan as written; the worst, {}, lacks {db:.1} dB. There would help:",
        short.len(),
        points.len(),
        Frequency::from_hz(worst.frequency_hz)
    )];
    let help = worst.help.iter();
    lines.extend(help.map(|help| format!("  {:+.1} dB  {}", help.gain_db, help.what)));
    if worst.help.is_empty() {
        lines.push("  nothing that this program knows of".to_owned());
    }
    lines
}

fn compare(comparison: &Comparison) -> String {
    let chosen_s = comparison.chosen.total_s();
    let mut text = format!(
        "Time with the settings chosen above, reference and one item: {}",
        time_text(chosen_s)
    );
    if let (Some(fixed), 0) = (&comparison.fixed, comparison.hopeless) {
        let fixed_s = fixed.duration.total_s();
        text.push_str(&format!(
            "; with one setting good enough for the worst point ({}, {} sweeps): {}, {:.1} times as long",
            Frequency::from_hz(fixed.resolution_bandwidth_hz),
            fixed.sweeps,
            time_text(fixed_s),
            fixed_s / chosen_s
        ));
    }
    text.push('.');
    if comparison.hopeless > 0 {
        text.push_str(&format!(
            " At {} frequencies no setting shows what is needed.",
            comparison.hopeless
        ));
    }
    text
}

/// A time to three figures.
fn time_text(seconds: f64) -> String {
    let (value, unit) = match seconds {
        s if s < 1.0 => (1e3 * s, "ms"),
        s if s >= 7200.0 => (s / 3600.0, "h"),
        s if s >= 120.0 => (s / 60.0, "min"),
        s => (s, "s"),
    };
    format!("{value:.1} {unit}")
}

async fn check(args: CheckArgs) -> Result<u8, CliError> {
    let config = config::Station::load(&args.station.station)?;
    let store = Store::open(&args.store.store).await?;
    let station = Station::open(config, &store, &Opening::by_this_program()).await?;
    station.guard().off().await?;
    let now = jiff::Timestamp::now();
    let warnings = station.config.calibration_warnings(now);
    let refused = station.config.check_calibrations(now).is_err();
    match args.json {
        true => {
            let mut report = report(&station);
            report["calibrations"] = calibrations(&station.config);
            report["warnings"] = json!(warnings);
            report["refuses_to_measure"] = json!(refused);
            print_json(&report)?;
        }
        false => print(&describe(&station))?,
    }
    for warning in warnings {
        eprintln!("Caution: {warning}.");
    }
    if refused {
        eprintln!("The station refuses to measure until then (`refuse_overdue`).");
    }
    Ok(0)
}

fn calibrations(config: &config::Station) -> serde_json::Value {
    let all = config.calibrations.iter().map(|one| {
        json!({ "what": one.what, "due": one.due.to_string(), "certificate": one.certificate })
    });
    all.collect()
}

/// The most the guard would send, whatever a plan asks.
fn most(station: &config::Station) -> crate::station::Allowed {
    let most = allowed_anywhere(station, station.source_range.level.1);
    debug_assert!(most.level <= station.source_range.level.1);
    most
}

fn report(station: &Station) -> serde_json::Value {
    let config = &station.config;
    let most = most(config);
    json!({
        "station": config.name,
        "source": { "address": config.source.address.to_string(), "driver": config.source.driver_name,
                    "identity": station.identities.source, "output": "off" },
        "receiver": { "address": config.receiver.address.to_string(), "driver": config.receiver.driver_name,
                      "identity": station.identities.receiver },
        "source_level_max_dbm": most.level.dbm(),
        "radiated_max_dbm": most.feed.dbm(),
        "eirp_max_dbm": most.eirp.map(Level::dbm),
        "held_back_by": most.held_back.map(|(_, by)| by),
    })
}

fn describe(station: &Station) -> String {
    let config = &station.config;
    let mut rows = table::table(&["instrument", "address", "driver", "answers", "output"]);
    let mut row = |role: &str, entry: &config::InstrumentEntry, identity: &str, output: &str| {
        rows.add_row(vec![
            Cell::new(role),
            Cell::new(entry.address.to_string()),
            Cell::new(&entry.driver_name),
            Cell::new(table::shown(identity)),
            Cell::new(output),
        ]);
    };
    row("source", &config.source, &station.identities.source, "off");
    row(
        "receiver",
        &config.receiver,
        &station.identities.receiver,
        "",
    );
    let most = most(config);
    let why = most
        .held_back
        .map_or("the source's own range".to_owned(), |(_, by)| {
            by.words().to_owned()
        });
    let calibrated: String = config
        .calibrations
        .iter()
        .map(|one| {
            let certificate = one.certificate.as_deref().map(table::shown);
            let certificate = certificate.map_or(String::new(), |words| format!(", {words}"));
            format!(
                "\ncalibrated until {}: {}{certificate}",
                one.due,
                table::shown(&one.what)
            )
        })
        .collect();
    let watts = |level: Level| level.milliwatts() / 1000.0;
    let radiated = most.eirp.map_or(String::new(), |eirp| {
        format!(", {eirp} ({:.3} W) EIRP", watts(eirp))
    });
    format!(
        "{}\n\n{}\n\nThe most this station sends: {} at the source, {} ({:.3} W) at the antenna feed{radiated}, because of {why}.{calibrated}",
        config.name,
        table::trim_lines(&rows.to_string()),
        most.level,
        most.feed,
        watts(most.feed)
    )
}
