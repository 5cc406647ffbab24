//! `muffle measure`.

use std::collections::HashSet;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use clap::Args;
use jiff::Timestamp;
use serde_json::json;
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

use super::follow;
use super::lot::{Scan, Way};
use super::watch::{Person, Watch};
use super::{CliError, StationArg, StoreArg, print, print_json, table, verdict_code, write_file};
use crate::config::{self, Arrangement, Bracket, ItemEntry, Plan, load_items};
use crate::daemon::Presence;
use crate::evaluate;
use crate::procedure::Procedure;
use crate::procedure::forecast::exposure;
use crate::report::{RunDocument, png, svg_panels};
use crate::station::{Opening, Station, allowed};
use crate::store::{BatchRecord, PlanText, RunId, RunKind, RunRecord, RunState, Store, Verdict};

/// Events that may wait for the terminal.
const EVENTS_MAX: usize = 256;
/// Runs looked through for the newest that is wanted.
const NEWEST_MAX: u32 = 100;
/// Width of a picture, in pixels.
pub(super) const PICTURE_PX: u32 = 1600;

/// Arguments of `measure`.
#[derive(Debug, Args)]
#[command(
    after_help = "The reference is measured first unless one with the same station, instruments and settings is still good.\nCtrl-C stops with the output off; the run can be gone on with by --resume."
)]
pub(super) struct MeasureArgs {
    /// The plan file.
    #[arg(required_unless_present = "resume", value_name = "PLAN")]
    plan: Option<PathBuf>,
    #[command(flatten)]
    station: StationArg,
    #[command(flatten)]
    store: StoreArg,
    /// Serial of an item; may be given several times.
    #[arg(long = "item", value_name = "SERIAL")]
    items: Vec<String>,
    /// A file of items, with model, lot, size and construction of each.
    #[arg(long = "items", value_name = "FILE")]
    items_file: Option<PathBuf>,
    /// Model of the items given by --item.
    #[arg(long, default_value = "", requires = "items")]
    model: String,
    /// Lot of the items given by --item.
    #[arg(long, default_value = "", requires = "items")]
    lot: String,
    /// After how many cycles of use (washes, foldings, closings) the items given by --item are measured.
    #[arg(long, value_name = "N", requires = "items")]
    cycles: Option<u32>,
    /// Go on with what a command had to measure that was stopped, failed or cut off: all items that are left, and the
    /// look at the reference after them. Named by one of its runs (its id, the beginning of it, or `latest`).
    #[arg(long, value_name = "RUN", conflicts_with_all = ["plan", "items", "items_file"])]
    resume: Option<String>,
    /// Measure a new reference even if there is one that is still good.
    #[arg(long, conflicts_with = "resume")]
    fresh_reference: bool,
    /// With `arrangement = "scheduled"`: the recorder's file, as it can be read here. It is waited for after
    /// everything was sent, and merged; without it, merge it yourself by `muffle record merge`.
    #[arg(long, value_name = "FILE")]
    recording: Option<PathBuf>,
    /// Who measures.
    #[arg(long, env = "MUFFLE_OPERATOR")]
    operator: Option<String>,
    /// Write the picture of the result there (.svg or .png).
    #[arg(long, value_name = "FILE")]
    picture: Option<PathBuf>,
    /// Append what happens to this file while it happens, one JSON object to a line; each reading only once
    /// it is on the disk.
    #[arg(long, value_name = "FILE")]
    events: Option<PathBuf>,
    /// Print the runs as JSON.
    #[arg(long)]
    json: bool,
}

/// What is to be measured.
pub(super) enum Work {
    /// Items against a plan.
    Items {
        plan: Box<Plan>,
        items: Vec<ItemEntry>,
        fresh_reference: bool,
    },
    /// The rest of a run.
    Rest(RunId),
    /// The rest of all that a command had to measure.
    Batch(Box<BatchRecord>),
}

/// What a procedure at this station is to do.
pub(super) enum Task {
    /// Work that is known beforehand.
    Work(Work),
    /// Units of a lot, as their serials are scanned.
    Lot(Box<Scan>),
}

impl Task {
    /// How the receiver listens, which says what is to be opened.
    async fn arrangement(&self, store: &Store) -> Result<Arrangement, CliError> {
        Ok(match self {
            Self::Work(Work::Items { plan, .. }) => plan.arrangement,
            Self::Lot(scan) => scan.plan.arrangement,
            Self::Work(Work::Rest(run)) => {
                let (plan, _) = evaluate::kept(store, &store.run(*run).await?).await?;
                plan.arrangement
            }
            Self::Work(Work::Batch(batch)) => plan_of(store, batch).await?.arrangement,
        })
    }
}

impl Work {
    /// The run by which what is gone on with is named.
    fn resumed(&self) -> Option<RunId> {
        match self {
            Self::Items { .. } => None,
            Self::Rest(run) => Some(*run),
            Self::Batch(batch) => batch.runs.last().copied(),
        }
    }

    /// What to open before anything else, where what is gone on with may have been cut off while it was closed.
    async fn left_closed(
        &self,
        store: &Store,
        arrangement: Arrangement,
    ) -> Result<Option<String>, CliError> {
        let Some(run) = self.resumed() else {
            return Ok(None);
        };
        let run = store.run(run).await?;
        Ok(match (run.item, arrangement) {
            (Some(item), Arrangement::Sealed | Arrangement::Scheduled)
                if run.state != RunState::Complete =>
            {
                Some(format!(
                    "{} may still be closed, with the receiver in it: open it first{}.",
                    table::shown(&item),
                    match arrangement {
                        Arrangement::Sealed => ", and connect the receiver",
                        _ => ", and see that `muffle record` is running",
                    }
                ))
            }
            _ => None,
        })
    }

    fn plan(&self) -> Option<&Plan> {
        match self {
            Self::Items { plan, .. } => Some(plan),
            Self::Rest(_) | Self::Batch(_) => None,
        }
    }
}

pub(super) async fn run(args: MeasureArgs) -> Result<u8, CliError> {
    let station = config::Station::load(&args.station.station)?;
    let picture = args.picture.as_deref().map(picture_kind).transpose()?;
    let events = args.events.as_deref().map(open_events).transpose()?;
    let new_work = match (&args.resume, &args.plan) {
        (None, Some(plan)) => Some(read_work(&args, plan, &station)?),
        _ => None,
    };
    let store = Store::open(&args.store.store).await?;
    let work = match (new_work, &args.resume) {
        (Some(work), _) => work,
        (None, given) => what_is_left(&store, given.as_deref().unwrap_or("latest")).await?,
    };
    caution(&station, work.plan());
    let daemon = Presence::of(store.path()).filter(|there| there.stations.contains(&station.name));
    let finished = match daemon {
        Some(daemon) => {
            eprintln!(
                "Process {} serves this station: the job goes into its queue and is followed from here.",
                daemon.pid
            );
            let operator = args.operator.clone();
            match follow::submit_and_follow(&store, &station, work, operator, events).await {
                Ok(None) => return Ok(0),
                Ok(Some(runs)) => Ok(runs),
                Err(error) => Err(error),
            }
        }
        None => {
            let opening = Opening::by_this_program();
            let resumed = work.resumed();
            let operator = args.operator.clone();
            let began = Timestamp::now();
            let task = Task::Work(work);
            let ended = conduct(&store, station, &opening, task, operator, events).await;
            if ended.is_err() {
                how_to_go_on(&store, &args, resumed, began).await;
            }
            ended
        }
    };
    let runs = finished?;
    super::record::merge_sent(&store, &runs, args.recording.as_deref()).await?;
    let documents = documents(&store, &runs).await?;
    if let (Some(path), Some(kind)) = (&args.picture, picture) {
        write_file(path, &draw(&documents, kind)?)?;
    }
    show(&documents, args.json)?;
    store.close().await;
    match documents
        .iter()
        .all(|d| d.state == RunState::Complete.as_str())
    {
        true => Ok(verdict_code(worst(&documents))),
        // Sent, but not merged yet: nothing is known of it.
        false => Ok(verdict_code(Some(Verdict::Undecided))),
    }
}

fn open_events(path: &Path) -> Result<File, CliError> {
    let opened = File::options().create(true).append(true).open(path);
    opened.map_err(|error| CliError::Input(format!("cannot write {}: {error}", path.display())))
}

/// Reads and checks everything before anything is opened.
fn read_work(args: &MeasureArgs, plan: &Path, station: &config::Station) -> Result<Work, CliError> {
    let plan = Plan::load(plan)?;
    plan.check(station)?;
    Ok(Work::Items {
        plan: Box::new(plan),
        items: given_items(
            &args.items,
            args.items_file.as_deref(),
            &args.model,
            &args.lot,
            args.cycles,
        )?,
        fresh_reference: args.fresh_reference,
    })
}

/// The plan file as it is.
pub(super) fn plan_text(path: &Path) -> Result<PlanText, CliError> {
    let plan = Plan::load(path)?;
    Ok(PlanText {
        name: plan.name,
        text: plan.text,
    })
}

/// The items given one by one, then those of a file.
pub(super) fn given_items(
    serials: &[String],
    file: Option<&Path>,
    model: &str,
    lot: &str,
    cycles: Option<u32>,
) -> Result<Vec<ItemEntry>, CliError> {
    let mut items: Vec<_> = serials
        .iter()
        .map(|serial| ItemEntry {
            serial: serial.trim().to_owned(),
            model: model.to_owned(),
            lot: lot.to_owned(),
            cycles,
            ..ItemEntry::default()
        })
        .collect();
    if let Some(path) = file {
        items.extend(load_items(path)?);
    }
    if let Some((index, item)) = items.iter().enumerate().find(|(index, item)| {
        items[..*index]
            .iter()
            .any(|other| other.serial == item.serial)
    }) {
        return Err(CliError::Input(format!(
            "item {} is {}, which was given before; each serial once",
            index + 1,
            table::shown(&item.serial)
        )));
    }
    if let Some(item) = items.iter().find(|item| {
        let length = item.serial.chars().count();
        length == 0
            || length > crate::store::NAME_CHARS_MAX
            || item.serial.chars().any(char::is_control)
    }) {
        return Err(CliError::Input(format!(
            "the serial {} cannot be used: give 1 to {} characters, none of them a control character",
            table::shown(&item.serial),
            crate::store::NAME_CHARS_MAX
        )));
    }
    Ok(items)
}

pub(super) async fn resumable(store: &Store, given: &str) -> Result<RunId, CliError> {
    let record = find_run(store, given).await?;
    match record.state {
        RunState::Complete => Err(CliError::Input(format!(
            "run {} is complete; there is nothing to go on with",
            record.id
        ))),
        _ => Ok(record.id),
    }
}

/// A run by its id, the beginning of it, or `latest`.
pub(super) async fn find_run(store: &Store, given: &str) -> Result<RunRecord, CliError> {
    if given != "latest" {
        return Ok(store.find_run(given).await?);
    }
    newest_run(store, |run| !run.is_reference_check()).await
}

/// The newest run that is wanted.
async fn newest_run(
    store: &Store,
    wanted: impl Fn(&RunRecord) -> bool,
) -> Result<RunRecord, CliError> {
    let filter = crate::store::RunFilter {
        limit: Some(NEWEST_MAX),
        ..Default::default()
    };
    let runs = store.runs(&filter).await?;
    let found = runs.into_iter().find(wanted);
    found.ok_or_else(|| CliError::Input("there is no run in this database yet".to_owned()))
}

/// Opens the station, measures with the terminal watching, and leaves the output off whatever happens.
pub(super) async fn conduct(
    store: &Store,
    station: config::Station,
    opening: &Opening,
    task: Task,
    operator: Option<String>,
    log: Option<File>,
) -> Result<Vec<RunId>, CliError> {
    let stop = stop_on_signal()?;
    let arrangement = task.arrangement(store).await?;
    let scheduled = arrangement == Arrangement::Scheduled;
    let closed = match &task {
        Task::Work(work) => work.left_closed(store, arrangement).await?,
        Task::Lot(_) => None,
    };
    let open = async {
        match scheduled {
            true => Station::open_source(station, store, opening).await,
            false => Station::open(station, store, opening).await,
        }
    };
    if let Some(text) = &closed {
        eprintln!("{text}");
    }
    let opened = tokio::select! {
        opened = open => opened?,
        () = stop.cancelled() => return Err(CliError::Bench("stopped".to_owned())),
    };
    let station = Arc::new(opened);
    station.guard().obey(stop.clone());
    // What a daemon was told that stands there will not for long.
    let now = Timestamp::now();
    store.set_standing(&station.config.name, None, now).await?;
    let watch = Watch::new(log);
    let person = Arc::new(Person::new(watch.bar()));
    let (events, followed) = mpsc::channel(EVENTS_MAX);
    let following = tokio::spawn(watch.follow(followed));
    let procedure = Procedure {
        station: station.clone(),
        store: store.clone(),
        hands: person.clone(),
        events,
        stop,
        operator,
        job: None,
    };
    // A task of its own, so that a panic in it still leads to the output being switched off below.
    let measuring = tokio::spawn(async move {
        match task {
            Task::Work(Work::Items {
                plan,
                items,
                fresh_reference,
            }) => Ok(procedure.measure(&plan, &items, fresh_reference).await?),
            Task::Work(Work::Rest(run)) => Ok(vec![procedure.resume(run).await?]),
            Task::Work(Work::Batch(batch)) => Ok(procedure.resume_batch(&batch).await?),
            Task::Lot(scan) => scan.units(&Way::Here(&procedure), &person).await,
        }
    });
    let measured = measuring.await;
    let off = station.guard().off().await;
    // The bar is cleared before anything else is printed.
    let _ = following.await;
    let runs = match measured {
        Ok(measured) => measured?,
        Err(panic) => {
            return Err(CliError::Bench(format!(
                "a fault in the program ended the measuring ({panic}); what was read is kept"
            )));
        }
    };
    off?;
    Ok(runs)
}

/// Calls for a stop on Ctrl-C and SIGTERM.
pub(super) fn stop_on_signal() -> Result<CancellationToken, CliError> {
    use tokio::signal::unix::{SignalKind, signal};
    let stop = CancellationToken::new();
    let token = stop.clone();
    let failed =
        |error: std::io::Error| CliError::Bench(format!("cannot listen for signals: {error}"));
    let mut interrupt = signal(SignalKind::interrupt()).map_err(failed)?;
    let mut terminate = signal(SignalKind::terminate()).map_err(failed)?;
    let mut hang_up = signal(SignalKind::hangup()).map_err(failed)?;
    tokio::spawn(async move {
        loop {
            tokio::select! {
                _ = interrupt.recv() => {}
                _ = terminate.recv() => {}
                _ = hang_up.recv() => {}
            }
            token.cancel();
        }
    });
    Ok(stop)
}

/// The usual cautions, with this run's own figures.
pub(super) fn caution(station: &config::Station, plan: Option<&Plan>) {
    let (what, people) = match plan {
        Some(plan) => (emission(station, plan), exposure(station, plan)),
        None => {
            let most = station.safety.feed_power_max;
            (format!("up to {most} at the antenna feed"), None)
        }
    };
    eprintln!("This transmits: {what}.");
    if let Some(people) = people {
        eprintln!("{}", people.sentence());
    }
    eprintln!(
        "Keep people away from the antenna. Transmit only where your licence or a screened room allows"
    );
    eprintln!("it: local rules and licensed practice decide, not this program. README: Cautions.");
}

/// The most that is fed to the antenna, and where.
fn emission(station: &config::Station, plan: &Plan) -> String {
    let most = plan
        .frequencies
        .iter()
        .map(|frequency| {
            let asked = plan.settings_at(*frequency).source_level;
            allowed(station, *frequency, asked)
        })
        .max_by(|a, b| a.feed.dbm().total_cmp(&b.feed.dbm()));
    let (Some(sent), Some(first), Some(last)) =
        (most, plan.frequencies.first(), plan.frequencies.last())
    else {
        return "nothing".to_owned();
    };
    let held = sent.held_back.map_or(String::new(), |(by, limit)| {
        format!(" (held back by {by} because of {})", limit.words())
    });
    let radiated = sent
        .eirp
        .map_or(String::new(), |eirp| format!(", {eirp} EIRP"));
    format!(
        "up to {} at the antenna feed{radiated}{held}, {first} to {last}",
        sent.feed
    )
}

/// After a command of this process that did not come to its end: what to type next, and what is left. One that was refused
/// before it began anything has nothing to go on with.
async fn how_to_go_on(store: &Store, args: &MeasureArgs, resumed: Option<RunId>, began: Timestamp) {
    let begun = match resumed {
        Some(run) => store.batch_of(run).await,
        None => store.newest_batch(began).await,
    };
    let batch = begun.ok().flatten().filter(|batch| batch.ended.is_none());
    let last = batch.as_ref().and_then(|batch| batch.runs.last().copied());
    let Some(run) = last.or(resumed) else {
        return;
    };
    let left = match &batch {
        Some(batch) => left(store, batch).await.unwrap_or_default(),
        None => String::new(),
    };
    let nothing = store.run(run).await.map_or(true, |run| {
        batch.is_none() && run.state == RunState::Complete || run.withdrawn.is_some()
    });
    if nothing {
        return;
    }
    eprintln!(
        "Everything read so far is kept.{left} Go on with:\n  muffle measure --resume {run} --station {} --store {}",
        args.station.station.display(),
        args.store.store.display()
    );
}

/// What `--resume` goes on with: all that the command had to do which began the run, or the run alone.
async fn what_is_left(store: &Store, given: &str) -> Result<Work, CliError> {
    // Killed before its first run began, a command has none to be named by.
    let newest = match given {
        "latest" => store.newest_batch(Timestamp::UNIX_EPOCH).await?,
        _ => None,
    };
    if let Some(batch) = newest.filter(|batch| batch.runs.is_empty() && batch.ended.is_none()) {
        return going_on(store, batch).await;
    }
    let record = match given {
        // Also one that looks at a reference again, which is no answer elsewhere.
        "latest" => newest_run(store, |_| true).await?,
        given => find_run(store, given).await?,
    };
    let batch = store.batch_of(record.id).await?;
    match batch.filter(|batch| batch.ended.is_none()) {
        Some(batch) => going_on(store, batch).await,
        None => Ok(Work::Rest(resumable(store, &record.id.to_string()).await?)),
    }
}

async fn going_on(store: &Store, batch: BatchRecord) -> Result<Work, CliError> {
    eprintln!(
        "Going on with what was begun at {:.0}.{}",
        batch.made,
        left(store, &batch).await?
    );
    Ok(Work::Batch(Box::new(batch)))
}

/// What of a batch is not measured yet, as a sentence; empty where nothing is.
async fn left(store: &Store, batch: &BatchRecord) -> Result<String, CliError> {
    let mut done = HashSet::new();
    let mut references = Vec::new();
    for run in &batch.runs {
        let run = store.run(*run).await?;
        let counts = run.state == RunState::Complete && run.withdrawn.is_none();
        match run.item {
            Some(item) if counts => drop(done.insert(item)),
            Some(_) => {}
            None => references.push((counts, run.reference_run.is_some())),
        }
    }
    let mut parts = Vec::new();
    if references.iter().any(|(done, after)| !done && !after) {
        parts.push("the reference".to_owned());
    }
    let items: Vec<String> = batch
        .items
        .iter()
        .filter(|item| !done.contains(&item.serial))
        .map(|item| table::shown(&item.serial))
        .collect();
    if !items.is_empty() {
        let of = batch.items.len();
        parts.push(format!(
            "{} of {of} items ({})",
            items.len(),
            items.join(", ")
        ));
    }
    let brackets = plan_of(store, batch).await?.bracket != Bracket::None;
    let looked_again = references.contains(&(true, true));
    if brackets && !batch.items.is_empty() && !looked_again {
        parts.push("the look at the reference after them".to_owned());
    }
    Ok(match parts.split_last() {
        None => String::new(),
        Some((last, [])) => format!(" Left to measure: {last}."),
        Some((last, before)) => format!(" Left to measure: {} and {last}.", before.join(", ")),
    })
}

async fn plan_of(store: &Store, batch: &BatchRecord) -> Result<Plan, CliError> {
    let kept = store.snapshot(&batch.plan_sha).await?;
    let (name, text) = kept.map_or_else(Default::default, |it| (it.name, it.text));
    Plan::read(&name, &text).map_err(|faults| config::ConfigError::from(faults).into())
}

/// The documents of runs, in order.
pub(super) async fn documents(store: &Store, runs: &[RunId]) -> Result<Vec<RunDocument>, CliError> {
    let mut documents = Vec::with_capacity(runs.len());
    for run in runs {
        documents.push(RunDocument::read(store, &store.run(*run).await?).await?);
    }
    Ok(documents)
}

/// Prints runs as tables or as JSON.
pub(super) fn show(documents: &[RunDocument], as_json: bool) -> Result<(), CliError> {
    if as_json {
        return print_json(&json!({ "runs": documents }));
    }
    let items: Vec<_> = documents
        .iter()
        .filter(|d| d.kind == RunKind::Item)
        .collect();
    if let ([one], _) | ([], [one]) = (
        items.as_slice(),
        documents.iter().collect::<Vec<_>>().as_slice(),
    ) {
        return print(&describe(one));
    }
    print(&format!(
        "\nSE in dB, least of all faces and polarisations; ≥ is a lower bound\n\n{}\n",
        table::overview(documents)
    ))?;
    for document in &items {
        let item = document.item.as_deref().unwrap_or_default();
        print(&format!("{}  {}", table::shown(item), document.sentence()))?;
    }
    print(&notes_of(&items))?;
    print("\nEvery point of one of them: muffle show RUN, with a run from muffle history.")
}

/// What is to be known of several runs: each sentence once, with the items it is about where not about all.
fn notes_of(items: &[&RunDocument]) -> String {
    let mut about: Vec<(&String, Vec<String>)> = Vec::new();
    for document in items {
        let item = table::shown(document.item.as_deref().unwrap_or_default());
        for note in &document.notes {
            match about.iter_mut().find(|(known, _)| *known == note) {
                Some((_, of)) => of.push(item.clone()),
                None => about.push((note, vec![item.clone()])),
            }
        }
    }
    let lines = about
        .iter()
        .map(|(note, of)| match of.len() == items.len() {
            true => format!("{note}\n"),
            false => format!("{}: {note}\n", of.join(", ")),
        });
    format!("\n{}", lines.collect::<String>())
}

/// A run as text: heading, table, verdict.
pub(super) fn describe(document: &RunDocument) -> String {
    let mut heading = match &document.item {
        Some(item) => table::shown(item),
        None => "reference".to_owned(),
    };
    for part in [&document.model, &document.lot].into_iter().flatten() {
        heading.push_str(&format!(", {}", table::shown(part)));
    }
    let verdict = match document.kind {
        RunKind::Item => format!("\n{}\n", document.sentence()),
        RunKind::Reference => String::new(),
    };
    let averages = match document.averages.is_empty() {
        true => String::new(),
        false => format!(
            "\nmean of the power through all faces, polarisations and repeats\n\n{}\n",
            table::averages(document)
        ),
    };
    let merges = document.merges.iter();
    let merges = merges.map(|merge| {
        let text = format!("recorded {}: {}", merge.place(), merge.sentence());
        text.replace(char::is_control, "\u{fffd}")
    });
    let notes: String = merges
        .chain(document.notes.iter().cloned())
        .map(|note| format!("{note}\n"))
        .collect();
    let instruments = match &document.instruments {
        Some(known) => {
            let name = |name: &Option<String>| table::shown(name.as_deref().unwrap_or("not known"));
            let monitor = match &known.power_monitor {
                Some(monitor) => format!(", power monitor {}", table::shown(monitor)),
                None => String::new(),
            };
            format!(
                "source {}, receiver {}{monitor}\n",
                name(&known.source),
                name(&known.receiver)
            )
        }
        None => String::new(),
    };
    let carrier = match &document.carrier_unverified {
        Some(reason) => format!("the carrier was not read back: {reason}\n"),
        None => String::new(),
    };
    let mut settings = match document.settings_read_back {
        Some(true) => "the receiver's settings were read back\n".to_owned(),
        Some(false) => {
            "the receiver's settings were not read back: what is said of them is what it was sent\n"
                .to_owned()
        }
        None => String::new(),
    };
    if !document.settings_adjusted.is_empty() {
        let adjusted = document.settings_adjusted.join(", ");
        settings.push_str(&format!("adjusted by the receiver: {adjusted}\n"));
    }
    format!(
        "\n{heading}\n{}, run {}, {}, {}\n{instruments}{carrier}{settings}\n{}\n{averages}{verdict}{notes}",
        document.plan,
        document.run,
        document.started,
        document.state,
        table::points(document)
    )
}

/// What kind of picture a file name asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum PictureKind {
    Svg,
    Png,
}

/// From the ending of the file name.
pub(super) fn picture_kind(path: &Path) -> Result<PictureKind, CliError> {
    match path.extension().and_then(|ending| ending.to_str()) {
        Some("svg") => Ok(PictureKind::Svg),
        Some("png") => Ok(PictureKind::Png),
        _ => Err(CliError::Input(format!(
            "{}: a picture's name ends in .svg or .png",
            path.display()
        ))),
    }
}

/// One picture of all the items' runs.
pub(super) fn draw(documents: &[RunDocument], kind: PictureKind) -> Result<Vec<u8>, CliError> {
    let items: Vec<_> = documents
        .iter()
        .filter(|d| d.kind == RunKind::Item)
        .collect();
    let svg = match items.as_slice() {
        [one] => one.chart().svg(),
        many => {
            let charts: Vec<_> = many
                .iter()
                .map(|document| document.deciding_chart())
                .collect();
            svg_panels("Shielding effectiveness", &charts)
        }
    };
    match kind {
        PictureKind::Svg => Ok(svg.into_bytes()),
        PictureKind::Png => Ok(png(&svg, PICTURE_PX)?),
    }
}

/// The worst verdict of several runs.
pub(super) fn worst(documents: &[RunDocument]) -> Option<Verdict> {
    documents
        .iter()
        .filter_map(|document| document.verdict)
        .max()
}
