//! `muffle queue`: everything acts on the store, whether a daemon runs or not; one that runs hears of it at once.

use std::path::PathBuf;

use clap::{Args, Subcommand};
use jiff::Timestamp;
use serde_json::json;

use super::measure::{caution, given_items, plan_text};
use super::table::{self, shown};
use super::{CliError, StationArg, StoreArg, print, print_json};
use crate::config::{self, Plan};
use crate::daemon::{Presence, check};
use crate::store::{
    Answer, Change, JobFilter, JobKind, JobRecord, NewJob, PromptRecord, Repeat, Store,
};

/// Jobs that are listed unless asked for otherwise.
const LISTED: u32 = 50;

/// Arguments of `queue`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  muffle queue add config/plan.toml --item P-0042\n  muffle queue add plan.toml --check-item --item CHECK-1 --every 'daily 07:30 Europe/London'\n  muffle queue add plan.toml --item P-7 --stays --every '1 h' --until 2026-02-07T00:00:00Z\n  muffle queue pause 01JQ\nA job is named by its id or the beginning of it."
)]
pub(super) struct QueueArgs {
    #[command(subcommand)]
    what: Option<What>,
    #[command(flatten)]
    store: StoreArg,
    /// Also those that are done, failed or cancelled.
    #[arg(long)]
    all: bool,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Put a job into the queue.
    Add(Box<AddArgs>),
    /// Set a job aside; without one, begin nothing new at the station.
    Pause(SomeArgs),
    /// Go on with a job that is paused; without one, with the station's queue.
    Continue(SomeArgs),
    /// Give a job up; what was read is kept.
    Cancel(JobArgs),
    /// Try a job again that failed or was cancelled.
    Retry(JobArgs),
    /// Change the priority of a job that waits.
    Priority {
        #[command(flatten)]
        job: JobArgs,
        /// The highest goes first.
        #[arg(allow_negative_numbers = true)]
        priority: i32,
    },
    /// Answer what a person is asked to do: it is done.
    Answer {
        /// Which prompt; may be left out when there is one.
        prompt: Option<String>,
        /// Stop instead.
        #[arg(long)]
        stop: bool,
        #[command(flatten)]
        store: StoreArg,
        /// Who answers.
        #[arg(long, env = "MUFFLE_OPERATOR")]
        operator: Option<String>,
    },
}

/// A job.
#[derive(Debug, Args)]
struct JobArgs {
    /// Its id or the beginning of it.
    job: String,
    #[command(flatten)]
    store: StoreArg,
}

/// A job, or a station's queue.
#[derive(Debug, Args)]
struct SomeArgs {
    /// Its id or the beginning of it.
    job: Option<String>,
    #[command(flatten)]
    station: StationArg,
    #[command(flatten)]
    store: StoreArg,
}

/// What is put into the queue.
#[derive(Debug, Args)]
struct AddArgs {
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
    /// The open path alone, without items.
    #[arg(long, conflicts_with_all = ["items", "items_file", "check_item"])]
    reference: bool,
    /// The item is the check item, which proves that the station has not moved.
    #[arg(long)]
    check_item: bool,
    /// Go on with a run (its id, the beginning of it, or `latest`).
    #[arg(long, value_name = "RUN", conflicts_with_all = ["plan", "items", "items_file", "reference", "check_item", "every"])]
    resume: Option<String>,
    /// Measure a new reference even if there is one that is still good.
    #[arg(long)]
    fresh_reference: bool,
    /// The highest goes first.
    #[arg(long, default_value_t = 0, allow_negative_numbers = true)]
    priority: i32,
    /// Not before this (RFC 3339, such as 2026-01-31T07:30:00Z).
    #[arg(long, value_name = "TIME")]
    not_before: Option<Timestamp>,
    /// Again and again: `30 min`, or `daily 07:30 Europe/London`.
    #[arg(long, value_name = "WHEN")]
    every: Option<String>,
    /// Not again after this.
    #[arg(long, value_name = "TIME", requires = "every")]
    until: Option<Timestamp>,
    /// So often in all.
    #[arg(long, value_name = "N", requires = "every")]
    count: Option<u32>,
    /// The item stays where it was put: nobody is asked to place it again for the next time.
    #[arg(long)]
    stays: bool,
    /// Who wants it.
    #[arg(long, env = "MUFFLE_OPERATOR")]
    operator: Option<String>,
}

pub(super) async fn run(args: QueueArgs) -> Result<u8, CliError> {
    let now = Timestamp::now();
    match args.what {
        None => list(&args.store, args.all, args.json).await?,
        Some(What::Add(add)) => put_in(*add, args.json).await?,
        Some(What::Pause(some)) => some_change(some, Change::Pause).await?,
        Some(What::Continue(some)) => some_change(some, Change::Continue).await?,
        Some(What::Cancel(job)) => change(&job, Change::Cancel).await?,
        Some(What::Retry(job)) => change(&job, Change::Retry).await?,
        Some(What::Priority { job, priority }) => change(&job, Change::Priority(priority)).await?,
        Some(What::Answer {
            prompt,
            stop,
            store,
            operator,
        }) => {
            let store = Store::open(&store.store).await?;
            let prompt = one_prompt(&store, prompt.as_deref()).await?;
            let answer = if stop { Answer::Stop } else { Answer::Done };
            store
                .answer(prompt.id, answer, operator.as_deref(), now)
                .await?;
            print(&format!("{answer}: {}", prompt.text))?;
        }
    }
    Ok(0)
}

async fn put_in(args: AddArgs, as_json: bool) -> Result<(), CliError> {
    let station = config::Station::load(&args.station.station)?;
    let store = Store::open(&args.store.store).await?;
    let rest_of = match &args.resume {
        Some(given) => Some(super::measure::resumable(&store, given).await?),
        None => None,
    };
    let mut items = given_items(
        &args.items,
        args.items_file.as_deref(),
        &args.model,
        &args.lot,
        None,
    )?;
    // `muffle bench history` then charts it.
    items
        .iter_mut()
        .for_each(|item| item.check_item |= args.check_item);
    let new = NewJob {
        station: station.name.clone(),
        kind: match (&rest_of, args.reference, args.check_item) {
            (Some(_), ..) => JobKind::Rest,
            (None, true, _) => JobKind::Reference,
            (None, _, true) => JobKind::CheckItem,
            _ => JobKind::Items,
        },
        plan: args.plan.as_deref().map(plan_text).transpose()?,
        rest_of,
        items,
        fresh_reference: args.fresh_reference,
        stays: args.stays,
        operator: args.operator.clone(),
        priority: args.priority,
        not_before: args.not_before,
        repeat: args.every.map(|every| Repeat {
            every,
            until: args.until,
            count: args.count,
        }),
    };
    check(&new, &station)?;
    let plan = new
        .plan
        .as_ref()
        .map(|plan| Plan::read(&plan.name, &plan.text));
    caution(
        &station,
        plan.transpose()
            .map_err(config::ConfigError::from)?
            .as_ref(),
    );
    let id = store.submit(&new, Timestamp::now()).await?;
    if Presence::of(store.path()).is_none() {
        eprintln!("No daemon works from this store now; muffle serve begins with the queue.");
    }
    match as_json {
        true => print_json(&store.job(id).await?),
        false => print(&format!("job {id} is in the queue of {}", station.name)),
    }
}

async fn change(args: &JobArgs, change: Change) -> Result<(), CliError> {
    let store = Store::open(&args.store.store).await?;
    change_one(&store, &args.job, change).await
}

async fn change_one(store: &Store, given: &str, change: Change) -> Result<(), CliError> {
    let job = store.find_job(given).await?;
    let job = store.change_job(job.id, &change, Timestamp::now()).await?;
    let wanted = job
        .wanted
        .map_or(String::new(), |wanted| format!(", to be {wanted}d"));
    print(&format!("job {}: {}{wanted}", job.id, job.state))
}

async fn some_change(args: SomeArgs, change: Change) -> Result<(), CliError> {
    let store = Store::open(&args.store.store).await?;
    if let Some(job) = &args.job {
        return change_one(&store, job, change).await;
    }
    let station = config::Station::load(&args.station.station)?.name;
    let now = Timestamp::now();
    match change {
        Change::Pause => {
            store
                .pause_queue(&station, "paused on request", now)
                .await?
        }
        _ => store.continue_queue(&station, now).await?,
    }
    let word = match change {
        Change::Pause => "paused: what is being measured goes on, nothing new is begun",
        _ => "goes on",
    };
    print(&format!("the queue of {station} {word}"))
}

async fn one_prompt(store: &Store, given: Option<&str>) -> Result<PromptRecord, CliError> {
    let mut open = store.open_prompts(None).await?;
    if let Some(given) = given {
        let given = given.trim().to_ascii_uppercase();
        open.retain(|prompt| prompt.id.to_string().starts_with(&given));
    }
    match (open.pop(), open.len()) {
        (Some(prompt), 0) => Ok(prompt),
        (None, _) => Err(CliError::Input("nobody is asked to do anything".to_owned())),
        (Some(_), more) => Err(CliError::Input(format!(
            "{} prompts are open; name one, as muffle queue shows them",
            more + 1
        ))),
    }
}

async fn list(store: &StoreArg, all: bool, as_json: bool) -> Result<(), CliError> {
    let store = Store::open_read_only(&store.store).await?;
    let filter = JobFilter {
        open: !all,
        limit: Some(LISTED),
        ..JobFilter::default()
    };
    let jobs = store.jobs(&filter).await?;
    let prompts = store.open_prompts(None).await?;
    let daemon = Presence::of(store.path());
    if as_json {
        return print_json(&json!({ "jobs": jobs, "prompts": prompts, "daemon": daemon }));
    }
    match &daemon {
        Some(daemon) => eprintln!(
            "process {} serves {}",
            daemon.pid,
            daemon.stations.join(", ")
        ),
        None => eprintln!("No daemon works from this store now."),
    }
    for prompt in &prompts {
        print(&format!("{}  {}", prompt.id, prompt.text))?;
    }
    match jobs.is_empty() {
        true => print("nothing is in the queue"),
        false => print(&table_of(&jobs)),
    }
}

fn table_of(jobs: &[JobRecord]) -> String {
    let mut table = table::table(&[
        "job",
        "station",
        "what",
        "state",
        "priority",
        "not before",
        "again",
        "why",
    ]);
    for job in jobs {
        let items: Vec<_> = job.items.iter().map(|item| item.serial.as_str()).collect();
        let what = match (&job.rest_of, items.as_slice()) {
            (Some(run), _) => format!("rest of {run}"),
            (None, []) => "reference".to_owned(),
            (None, [one]) => shown(one),
            (None, [first, more @ ..]) => format!("{} and {} more", shown(first), more.len()),
        };
        let time = |at: Option<Timestamp>| at.map_or(String::new(), |at| format!("{at:.0}"));
        table.add_row([
            job.id.to_string(),
            shown(&job.station),
            what,
            job.state.to_string(),
            job.priority.to_string(),
            time(job.not_before),
            job.repeat
                .as_ref()
                .map_or(String::new(), |repeat| repeat.every.clone()),
            job.reason
                .clone()
                .map_or(String::new(), |reason| shown(&reason)),
        ]);
    }
    table::trim_lines(&table.to_string())
}
