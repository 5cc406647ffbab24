//! `muffle record`.

use std::path::{Path, PathBuf};
use std::time::Duration;

use clap::{Args, Subcommand};
use serde_json::json;
use tokio::sync::mpsc;

use super::measure::{documents, find_run, show, stop_on_signal, worst};
use super::table::{number, right, shown, table, trim_lines};
use super::{CliError, StationArg, StoreArg, print, print_json, verdict_code, write_file};
use crate::config::{Lone, Plan, read_file};
use crate::procedure::ProcedureError;
use crate::procedure::scheduled::{
    Clock, MergedRun, Recorder, RecorderEvent, Schedule, merge as merge_run,
};
use crate::quantity::{Frequency, Time};
use crate::station::LoneReceiver;
use crate::store::{
    RecordingRecord, RunFilter, RunId, RunKind, RunRecord, RunState, Store, Verdict,
};

/// Events that may wait for the terminal.
const EVENTS_MAX: usize = 256;
/// How long `measure` waits for the recorder's file to have everything.
const RECORDING_WAIT: Duration = Duration::from_secs(60);
/// The wait between two looks at it.
const LOOK_AGAIN: Duration = Duration::from_secs(1);

/// Arguments of `record`.
#[derive(Debug, Args)]
#[command(
    args_conflicts_with_subcommands = true,
    after_help = "Outside:  muffle record --plan plan.toml --write schedule.json, and take the file to the recorder.\nInside:   muffle record schedule.json --station receiver.toml --store inside.db, then close the item.\nOutside:  muffle measure plan.toml --item P-0042, and afterwards muffle record merge inside.db.\n\nThe recorder opens the receiver alone, never a source. It waits for markers until it is stopped (Ctrl-C)\nand appends; what it has kept survives a battery that runs out."
)]
pub(super) struct RecordArgs {
    #[command(subcommand)]
    what: Option<What>,
    #[command(flatten)]
    follow: FollowArgs,
}

#[derive(Debug, Args)]
struct FollowArgs {
    /// The schedule to follow.
    #[arg(value_name = "SCHEDULE", required_unless_present = "plan")]
    schedule: Option<PathBuf>,
    /// Write the schedule of this plan instead of following one; it must say `arrangement = "scheduled"`.
    #[arg(
        long,
        value_name = "PLAN",
        requires = "write",
        conflicts_with = "schedule"
    )]
    plan: Option<PathBuf>,
    /// Where to write it.
    #[arg(long, value_name = "FILE", requires = "plan")]
    write: Option<PathBuf>,
    #[command(flatten)]
    station: StationArg,
    /// The recorder's own file.
    #[arg(long = "store", default_value = "inside.db", value_name = "FILE")]
    inside: PathBuf,
    /// End after so many whole recordings: one for each reference, and for each face, polarisation and repeat of
    /// an item.
    #[arg(long, value_name = "NUMBER")]
    recordings: Option<u32>,
    /// For rehearsals on one computer: let this clock be ahead by so many seconds and too fast by so many
    /// parts in a million, as another computer's may be.
    #[arg(
        long,
        value_name = "SECONDS,PPM",
        hide = true,
        allow_hyphen_values = true
    )]
    wrong_clock: Option<String>,
    /// Print the recordings, or the timetable, as JSON.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Lay a recorder's file on what was sent, and judge the runs.
    #[command(
        after_help = "A recording is merged only if it followed this run's schedule, both markers are found in it, the clocks\ndiffer and drift by no more than the plan states, and every reading has a hold that certainly belongs to\nit. Merging again changes nothing."
    )]
    Merge(MergeArgs),
}

#[derive(Debug, Args)]
struct MergeArgs {
    /// The recorder's file.
    #[arg(value_name = "FILE")]
    inside: PathBuf,
    /// The run: its id, the beginning of it, or `latest`. Without it, every run that waits for a recording.
    #[arg(long)]
    run: Option<String>,
    /// Use what a recording has that was cut off; the rest can be sent again by `measure --resume`.
    #[arg(long)]
    partial: bool,
    #[command(flatten)]
    store: StoreArg,
    /// Print as JSON how the clocks were laid on each other, and the runs.
    #[arg(long)]
    json: bool,
}

pub(super) async fn run(args: RecordArgs) -> Result<u8, CliError> {
    match (args.what, &args.follow.plan, &args.follow.write) {
        (Some(What::Merge(args)), _, _) => merge(args).await,
        (None, Some(plan), Some(to)) => write(plan, to, args.follow.json),
        (None, _, _) => follow(args.follow).await,
    }
}

/// Writes the schedule of a plan and says what it asks.
fn write(plan: &Path, to: &Path, as_json: bool) -> Result<u8, CliError> {
    let schedule = Schedule::of(&Plan::load(plan)?)?;
    let text = schedule.text();
    write_file(to, format!("{text}\n").as_bytes())?;
    if as_json {
        print(&text)?;
        return Ok(0);
    }
    let (item, _) = schedule.part(RunKind::Item);
    let guard = |ms: Option<u64>| ms.unwrap_or(0) as f64 / 1e3;
    let lasts = |kind| Time::from_duration(Duration::from_secs_f64(schedule.length_s(kind).ceil()));
    print(&format!(
        "schedule {}… of plan {}\nmarker at {}, {} for a reference, {} for each face, polarisation and repeat of an item\nguard times {:.2} s to {:.2} s",
        &schedule.sha256[..12],
        shown(&schedule.plan_name),
        Frequency::from_hz(schedule.markers.frequency_hz),
        lasts(RunKind::Reference),
        lasts(RunKind::Item),
        guard(item.holds.iter().map(|hold| hold.guard_ms).min()),
        guard(item.holds.iter().map(|hold| hold.guard_ms).max()),
    ))?;
    Ok(0)
}

async fn follow(args: FollowArgs) -> Result<u8, CliError> {
    let path = args.schedule.as_deref().unwrap_or(Path::new(""));
    let schedule = Schedule::read(&path.display().to_string(), &read_file(path)?)?;
    let lone = Lone::load(&args.station.station)?;
    schedule.plan()?.check_lone(&lone)?;
    let clock = match &args.wrong_clock {
        Some(given) => wrong_clock(given)?,
        None => Clock::system(),
    };
    let stop = stop_on_signal()?;
    let receiver = tokio::select! {
        opened = LoneReceiver::open(&lone) => opened?,
        () = stop.cancelled() => return Err(CliError::Bench("stopped".to_owned())),
    };
    let store = Store::open(&args.inside).await?;
    eprintln!(
        "{}: nothing is transmitted from here. Recording into {}.",
        shown(&receiver.identity),
        args.inside.display()
    );
    let (events, told) = mpsc::channel(EVENTS_MAX);
    let following = tokio::spawn(tell(told));
    let recorder = Recorder {
        schedule,
        receiver,
        store: store.clone(),
        clock,
        events,
        stop,
    };
    let recorded = recorder.run(args.recordings).await;
    drop(recorder);
    // The terminal only.
    let _ = following.await;
    let whole = recorded?;
    let recordings = store.recordings().await?;
    let made: Vec<&RecordingRecord> = recordings
        .iter()
        .filter(|r| whole.contains(&r.id))
        .collect();
    match args.json {
        true => print_json(&json!({ "recordings": made }))?,
        false => eprintln!(
            "{} recordings are whole. Outside: muffle record merge {}",
            made.len(),
            args.inside.display()
        ),
    }
    store.close().await;
    Ok(0)
}

fn wrong_clock(given: &str) -> Result<Clock, CliError> {
    let numbers: Option<Vec<f64>> = given
        .split(',')
        .map(|word| word.trim().parse().ok().filter(|n: &f64| n.is_finite()))
        .collect();
    match numbers.as_deref() {
        Some([ahead_s, ppm]) if ppm.abs() < 1e5 => {
            eprintln!(
                "Rehearsal: this clock is wrong by {ahead_s} s and {ppm} parts in a million."
            );
            Ok(Clock::wrong(*ahead_s, ppm / 1e6))
        }
        _ => Err(CliError::Input(format!(
            "`{given}` is not SECONDS,PPM; write it like 7.3,200"
        ))),
    }
}

/// What the recorder does, on standard error.
async fn tell(mut told: mpsc::Receiver<RecorderEvent>) {
    while let Some(event) = told.recv().await {
        match event {
            RecorderEvent::Waiting { schedule } => {
                let schedule = schedule.get(..12).unwrap_or(&schedule);
                eprintln!("schedule {schedule}…: ready, waiting for the marker");
            }
            RecorderEvent::Begun { kind, began, .. } => {
                eprintln!("{kind}: the marker began at {began:.3} by this clock");
            }
            RecorderEvent::Held { .. } => {}
            RecorderEvent::Fault { reason } => eprintln!("the receiver failed: {reason}"),
            RecorderEvent::Ended { recording } => {
                eprintln!("recording {recording} is whole; waiting for the next marker");
            }
        }
    }
}

async fn merge(args: MergeArgs) -> Result<u8, CliError> {
    let inside = Store::open_read_only(&args.inside).await?;
    let store = Store::open(&args.store.store).await?;
    let runs = match &args.run {
        Some(given) => vec![find_run(&store, given).await?.id],
        None => waiting(&store).await?,
    };
    if runs.is_empty() {
        return nothing_waits(&store, &inside, &args.inside).await;
    }
    let mut merged = Vec::with_capacity(runs.len());
    let mut refused = Vec::new();
    for run in &runs {
        match merge_run(&store, &inside, *run, args.partial).await {
            Ok(made) => {
                explain(&made);
                merged.push(made);
            }
            // What lacks its recording does not keep the others from theirs.
            Err(error @ ProcedureError::Merge { .. }) => refused.push((run, error)),
            Err(error) => return Err(error.into()),
        }
    }
    let ready: Vec<RunId> = merged.iter().map(|made| made.run).collect();
    let documents = documents(&store, &ready).await?;
    let left: Vec<_> = refused
        .iter()
        .map(|(run, error)| json!({ "run": run, "reason": error.to_string() }))
        .collect();
    match args.json {
        true => print_json(&json!({ "merged": merged, "runs": documents, "refused": left }))?,
        false if !merged.is_empty() => {
            print(&alignments(&merged))?;
            show(&documents, false)?;
        }
        false => {}
    }
    store.close().await;
    let mut refused = refused.into_iter().rev();
    if let Some((_, last)) = refused.next() {
        for (_, error) in refused.rev() {
            eprintln!("{error}");
        }
        return Err(last.into());
    }
    match merged.iter().all(|made| made.missing == 0) {
        true => Ok(verdict_code(worst(&documents))),
        false => Ok(verdict_code(Some(Verdict::Undecided))),
    }
}

/// The runs that were sent and wait for a recording, oldest first.
async fn waiting(store: &Store) -> Result<Vec<RunId>, CliError> {
    let filter = RunFilter {
        state: Some(RunState::Stopped),
        ..RunFilter::default()
    };
    let mut runs = Vec::new();
    for run in store.runs(&filter).await?.iter().rev() {
        if waits(store, run).await? {
            runs.push(run.id);
        }
    }
    Ok(runs)
}

async fn waits(store: &Store, run: &RunRecord) -> Result<bool, CliError> {
    let passes = store.passes(run.id).await?;
    Ok(passes
        .iter()
        .any(|pass| pass.ended.is_some() && pass.recording.is_none()))
}

async fn nothing_waits(store: &Store, inside: &Store, path: &Path) -> Result<u8, CliError> {
    let merged = store.merged_recordings().await?;
    let recordings = inside.recordings().await?;
    let left = recordings
        .iter()
        .filter(|r| !merged.contains(&r.id))
        .count();
    match (recordings.len(), left) {
        (1.., 0) => {
            eprintln!(
                "every recording of {} was merged before; nothing was changed",
                path.display()
            );
            Ok(0)
        }
        _ => Err(CliError::Input(format!(
            "no run of {} waits for a recording; name the database that `muffle measure` wrote, with --store, or the run, with --run",
            store.path().display()
        ))),
    }
}

fn explain(made: &MergedRun) {
    if made.already {
        eprintln!("run {} was complete before; nothing was changed", made.run);
    }
    if made.missing > 0 {
        eprintln!(
            "run {} still lacks {} readings: muffle measure --resume {}",
            made.run, made.missing, made.run
        );
    }
}

/// How the clocks of recorder and source were laid on each other.
fn alignments(merged: &[MergedRun]) -> String {
    let mut all = table(&[
        "run",
        "face",
        "polarisation",
        "clock ahead s",
        "± s",
        "drift ppm",
        "± ppm",
        "correlation",
        "misaligned s",
        "guard s",
        "readings",
    ]);
    for made in merged {
        for pass in &made.passes {
            let correlations: Vec<String> = pass
                .correlations
                .iter()
                .map(|r| format!("{r:.2}"))
                .collect();
            all.add_row(vec![
                right(made.run.to_string()),
                right(shown(&pass.face)),
                right(pass.polarisation.clone()),
                right(format!("{:.3}", pass.ahead_s)),
                right(format!("{:.3}", pass.ahead_u_s)),
                number(pass.drift_ppm),
                number(pass.drift_u_ppm),
                right(correlations.join(" ")),
                right(format!("{:.3}", pass.misaligned_s)),
                right(format!("{:.3}", pass.guard_s)),
                right(pass.readings.to_string()),
            ]);
        }
    }
    trim_lines(&all.to_string())
}

/// After `measure`: merges what was sent if the recorder's file is to be had, or says how.
pub(super) async fn merge_sent(
    store: &Store,
    runs: &[RunId],
    recording: Option<&Path>,
) -> Result<(), CliError> {
    let mut sent = Vec::new();
    for run in runs {
        if waits(store, &store.run(*run).await?).await? {
            sent.push(*run);
        }
    }
    let (Some(path), false) = (recording, sent.is_empty()) else {
        if !sent.is_empty() {
            eprintln!(
                "Everything was sent. Bring the recorder's file here and judge it:\n  muffle record merge inside.db --store {}",
                store.path().display()
            );
        }
        return Ok(());
    };
    eprintln!("Waiting for the recorder's file {}.", path.display());
    let mut merged = Vec::new();
    for run in sent {
        merged.push(merge_when_there(store, path, run).await?);
    }
    eprintln!("{}", alignments(&merged));
    Ok(())
}

/// The recorder may need a moment to be sure of the last marker, and its file one to be copied.
async fn merge_when_there(store: &Store, path: &Path, run: RunId) -> Result<MergedRun, CliError> {
    let until = tokio::time::Instant::now() + RECORDING_WAIT;
    loop {
        let tried: Result<MergedRun, CliError> = async {
            let inside = Store::open_read_only(path).await?;
            let merged = merge_run(store, &inside, run, false).await;
            merged.map_err(CliError::from)
        }
        .await;
        match tried {
            Ok(made) => return Ok(made),
            Err(error) if tokio::time::Instant::now() >= until => {
                eprintln!(
                    "Everything that was sent is kept. Once it is mended: muffle record merge {} --run {run} --store {}",
                    path.display(),
                    store.path().display()
                );
                return Err(error);
            }
            Err(_not_yet) => tokio::time::sleep(LOOK_AGAIN).await,
        }
    }
}
