//! The measuring itself, as it would stand on paper: check the instruments, read the open path, then for
//! each item place it, close it, read the floor and the signal at every frequency, and judge.
//!
//! Every reading is in the store, committed, before anybody is told of it. Stopping leaves the output off
//! and the run where it was; `resume` measures only what is missing.

mod beside;
mod closings;
pub mod forecast;
mod hands;
mod job;
mod open;
pub mod scheduled;
mod sealed;
mod steps;

use std::collections::HashSet;
use std::sync::Arc;
use std::time::Duration;

use async_trait::async_trait;
use jiff::Timestamp;
use serde_json::json;
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

use crate::analysis::AnalysisError;
use crate::analysis::flag::{Effect, FlagWord};
use crate::config::{Arrangement, ConfigError, Identity, ItemEntry, Plan, same_instrument};
use crate::evaluate::{self, EvaluateError, Evaluator};
use crate::instrument::{Carrier, Held, InstrumentError, ReceiverSettings, ReceiverState};
use crate::quantity::{Frequency, Level, Ratio, Time};
use crate::station::{EmissionRequest, Placement, Station, StationError, place_by_command};
use crate::store::{
    BatchId, EmissionEnd, Item, JobId, NewReading, NewRun, Point, ReadingKey, ReadingKind,
    ReadingRecord, ResultRecord, RunId, RunKind, RunRecord, RunState, SnapshotKind, Store,
    StoreError, Verdict, sha256_hex,
};

use beside::{Moves, refused};

pub use hands::{request, transmits};
pub use job::Order;
pub use steps::{Stand, kinds, missing, readings_missing, stands};

/// Attempts at one reading before the run is given up; it can be resumed.
const ATTEMPTS_MAX: u32 = 3;
/// By how much a step reading is lower than the signal, and a pad reading more attenuated.
const STEP: Ratio = Ratio::from_db(evaluate::STEP_DB);
/// The wait before the second attempt; each further one is twice as long.
const RETRY_WAIT: Duration = Duration::from_millis(250);

/// Why a procedure ended early.
#[derive(Debug, thiserror::Error)]
pub enum ProcedureError {
    /// Plan and station do not fit, or a file is wrong.
    #[error(transparent)]
    Config(#[from] ConfigError),
    /// The station failed.
    #[error("{place}: {cause}")]
    Station {
        /// Where in the run.
        place: String,
        /// What failed.
        cause: StationError,
    },
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A result could not be worked out.
    #[error(transparent)]
    Evaluate(#[from] EvaluateError),
    /// A reading has no peak to pick.
    #[error("{place}: {cause}")]
    Reading {
        /// Where in the run.
        place: String,
        /// Why.
        cause: AnalysisError,
    },
    /// The frequencies cannot be shared out among closings.
    #[error("plan `{plan}`: {cause}")]
    Closings {
        /// Which plan.
        plan: String,
        /// Why.
        cause: AnalysisError,
    },
    /// The run cannot be gone on with.
    #[error("run {run} cannot be resumed: {reason}")]
    NotResumable {
        /// Which run.
        run: RunId,
        /// Why not, and what to do.
        reason: String,
    },
    /// A schedule that cannot be followed.
    #[error("{what}: {reason}")]
    Schedule {
        /// Its file, or its plan.
        what: String,
        /// Why not, and what to do.
        reason: String,
    },
    /// The timetable went on before its time was kept.
    #[error("{place}: {reason}")]
    Late {
        /// Where in the run.
        place: String,
        /// What was late, and what to do.
        reason: String,
    },
    /// A pass whose source was not sending as asked.
    #[error(
        "{place}: the source was not sending as asked ({reason}); this pass does not count. See to the source, and send it again"
    )]
    CarrierLost {
        /// Where in the run.
        place: String,
        /// What the source said.
        reason: String,
    },
    /// A recording that does not belong to the run, or not for certain.
    #[error("nothing was merged into run {run}: {reason}")]
    Merge {
        /// Which run.
        run: RunId,
        /// Why, and what to do.
        reason: String,
    },
    /// A reference that cannot be what it is taken for.
    #[error("reference run {run}: {reason}")]
    Implausible {
        /// Its run.
        run: RunId,
        /// How far off it is, and what to do.
        reason: String,
    },
    /// Somebody asked to stop.
    #[error("stopped")]
    Stopped,
}

impl ProcedureError {
    fn at(place: impl ToString) -> impl FnOnce(StationError) -> Self {
        move |cause| match cause {
            StationError::Stopped | StationError::Called { .. } => Self::Stopped,
            cause => Self::Station {
                place: place.to_string(),
                cause,
            },
        }
    }
}

/// What has happened, told after it is on disk.
#[derive(Debug, Clone, serde::Serialize, serde::Deserialize)]
#[serde(tag = "event", rename_all = "snake_case")]
pub enum Event {
    /// Something to be known before anything is sent, such as a calibration that is due.
    Warning {
        /// What.
        text: String,
    },
    /// A reference that is still good is used again.
    ReferenceReused {
        /// Its run.
        run: RunId,
        /// When it was begun.
        started: Timestamp,
    },
    /// A run has begun, or goes on.
    Run {
        /// Which.
        run: RunId,
        /// The item's serial; none for a reference.
        item: Option<String>,
        /// Readings still to be made.
        readings: usize,
    },
    /// The frequencies of a sealed run are shared out.
    Closings {
        /// Closings with the source on, for each face, polarisation and repeat; each has a silent one before
        /// it, with the source off.
        closings: usize,
        /// Test frequencies in them.
        frequencies: usize,
    },
    /// A closing of the sealed arrangement begins.
    Closing {
        /// What for.
        place: String,
        /// How long the item stays closed, about.
        lasts: Time,
    },
    /// The receiver is looked for at the addresses that the station file gives it.
    Looking,
    /// A pass of the scheduled arrangement begins.
    Pass {
        /// What for.
        place: String,
        /// Test frequencies in it.
        frequencies: usize,
        /// How long it takes, about.
        lasts: Time,
        /// SHA-256 of the schedule that the recorder must follow too.
        schedule: String,
    },
    /// A test frequency of a pass was sent.
    Emitted {
        /// Which, Hz.
        frequency_hz: f64,
    },
    /// All of a scheduled run was sent; it waits for its recording.
    Sent {
        /// Which.
        run: RunId,
        /// The item's serial; none for a reference.
        item: Option<String>,
    },
    /// Something is being placed.
    Placing {
        /// What.
        placement: Placement,
    },
    /// A reading is kept.
    Reading {
        /// Which.
        key: ReadingKey,
        /// The peak picked from it.
        level_dbm: f64,
    },
    /// Another signal stands at a test frequency, and the point is measured beside it.
    Moved {
        /// As the plan has it, Hz.
        asked_hz: f64,
        /// Where it is measured, Hz.
        measured_hz: f64,
    },
    /// A point is worked out.
    Point {
        /// Its result.
        result: Box<ResultRecord>,
    },
    /// An attempt failed and is made again.
    Again {
        /// Where.
        place: String,
        /// Why.
        reason: String,
    },
    /// A run is complete, or judged again.
    Finished {
        /// Which.
        run: RunId,
        /// The item's serial; none for a reference.
        item: Option<String>,
        /// The verdict over all its points.
        verdict: Option<Verdict>,
    },
}

impl Event {
    /// From its kind and the rest, as they are kept apart in the store; none for what a procedure does not tell.
    pub fn from_parts(kind: &str, mut body: serde_json::Value) -> Option<Self> {
        body.as_object_mut()?
            .insert("event".to_owned(), kind.into());
        serde_json::from_value(body).ok()
    }
}

/// Whoever places things when the station has no command for it.
#[async_trait]
pub trait Hands: Send + Sync {
    /// Returns when `placement` stands; `false` when whoever was asked wants to stop. `recorder` says whether one
    /// lies with the receiver ([`request`]).
    async fn place(&self, placement: &Placement, recorder: bool) -> bool;
}

/// The measuring at one station.
pub struct Procedure {
    /// The open station.
    pub station: Arc<Station>,
    /// Where everything is kept.
    pub store: Store,
    /// Whoever places things when the station has no command for it.
    pub hands: Arc<dyn Hands>,
    /// Told of what has happened.
    pub events: mpsc::Sender<Event>,
    /// Called when the procedure is to stop.
    pub stop: CancellationToken,
    /// Who measures.
    pub operator: Option<String>,
    /// The job of the queue that it is done for, if for one.
    pub job: Option<JobId>,
}

impl Procedure {
    /// Tells of calibrations that are due, and refuses where the station is not to be used without.
    async fn check_calibrations(&self) -> Result<(), ProcedureError> {
        let now = Timestamp::now();
        for text in self.station.config.calibration_warnings(now) {
            self.tell(Event::Warning { text }).await;
        }
        Ok(self.station.config.check_calibrations(now)?)
    }

    /// Goes on with a run that was stopped, failed or cut off, and measures only what is missing.
    pub async fn resume(&self, run: RunId) -> Result<RunId, ProcedureError> {
        let record = self.store.run(run).await?;
        let refuse = |reason: &str| ProcedureError::NotResumable {
            run,
            reason: reason.to_owned(),
        };
        if record.state == RunState::Complete {
            return Err(refuse("it is complete; measure the item anew instead"));
        }
        let (plan, station) = evaluate::kept(&self.store, &record).await?;
        if station.text != self.station.config.text {
            return Err(refuse(
                "the station file has changed since it was begun, so its readings would not belong together; measure the item anew",
            ));
        }
        self.check_calibrations().await?;
        self.refuse_other_instruments(&record).await?;
        self.go_on(&plan, run, record.item.as_deref()).await?;
        Ok(run)
    }

    /// Refuses to go on with a run, or to use a reference, that was measured with other instruments than those that
    /// answer now; another firmware is said. Of runs from before instruments were kept nothing is known.
    async fn refuse_other_instruments(&self, record: &RunRecord) -> Result<(), ProcedureError> {
        let Some(was) = &record.instruments else {
            return Ok(());
        };
        let now = self.station.identities.instruments();
        for (role, was, now) in was.beside(&now) {
            if !same_instrument(was, now) {
                let what = match record.kind {
                    RunKind::Reference => "the reference",
                    RunKind::Item => "it",
                };
                return Err(ProcedureError::NotResumable {
                    run: record.id,
                    reason: format!(
                        "{what} was measured with the {role} {}, and now {} answers; connect the first one again, or measure anew from the reference on",
                        Identity::of(was),
                        Identity::of(now),
                    ),
                });
            }
            if was != now {
                let text = format!(
                    "the {role} answers {now:?}, and when run {} was measured it was {was:?}: the same instrument with other firmware",
                    record.id
                );
                self.tell(Event::Warning { text }).await;
            }
        }
        Ok(())
    }

    async fn tell(&self, event: Event) {
        // Nobody may be listening any more; the measuring goes on.
        let _ = self.events.send(event).await;
    }

    /// Keeps plan, station and drivers as they are now.
    async fn keep_files(&self, plan: &Plan) -> Result<Kept, StoreError> {
        let config = &self.station.config;
        let keep =
            async |kind, name: &str, text: &str| self.store.put_snapshot(kind, name, text).await;
        let plan_sha = keep(SnapshotKind::Plan, &plan.name, &plan.text).await?;
        let station_sha = keep(SnapshotKind::Station, &config.name, &config.text).await?;
        let mut driver_shas = Vec::new();
        let monitor = config.power_monitor.as_ref().map(|it| &it.entry);
        for entry in [&config.source, &config.receiver]
            .into_iter()
            .chain(monitor)
        {
            driver_shas
                .push(keep(SnapshotKind::Driver, &entry.driver_name, &entry.driver.text).await?);
        }
        Ok(Kept {
            signature: self.signature(plan, &station_sha, &driver_shas),
            plan_sha,
            station_sha,
            driver_shas,
            batch: None,
        })
    }

    /// What a reference must share with a run that uses it: the station, the drivers, the instruments
    /// that answered, the settings, the frequencies and the polarisations.
    fn signature(&self, plan: &Plan, station_sha: &str, driver_shas: &[String]) -> String {
        let frequencies: Vec<_> = plan.frequencies.iter().map(|f| f.hz()).collect();
        let polarisations: Vec<_> = plan.polarisations.iter().map(|p| p.word()).collect();
        let shared = json!({
            "station": station_sha,
            "drivers": driver_shas,
            "instruments": self.station.identities.without_firmware(),
            "settings": plan.frequencies.iter()
                .map(|frequency| format!("{:?}", plan.settings_at(*frequency)))
                .collect::<Vec<_>>(),
            "frequencies_hz": frequencies,
            "polarisations": polarisations,
            "arrangement": plan.arrangement.word(),
            "sweep_time": plan.sweep_time.map(Time::s),
            "move_max_hz": plan.move_max.map(Frequency::hz),
        });
        sha256_hex(shared.to_string().as_bytes())
    }

    async fn good_reference(
        &self,
        plan: &Plan,
        kept: &Kept,
    ) -> Result<Option<RunRecord>, StoreError> {
        let age = jiff::SignedDuration::try_from(plan.reference_max_age.duration());
        let now = Timestamp::now();
        let not_before = age
            .ok()
            .and_then(|age| now.checked_sub(age).ok())
            .unwrap_or(Timestamp::UNIX_EPOCH);
        // One from the future was measured by a clock that was wrong: nobody knows how old it is.
        let latest = self
            .store
            .latest_reference(&kept.signature, not_before..=now);
        let Some(reference) = latest.await? else {
            return Ok(None);
        };
        // One that proves nothing at some point would leave that point of every item without a number.
        let readings = self.store.readings(reference.id).await?;
        let is_proven = |reading: &ReadingRecord| {
            let words = reading.flags.iter();
            !words
                .filter_map(|word| word.parse::<FlagWord>().ok())
                .any(|word| word != FlagWord::Overload && word.effect() == Effect::WithholdsNumber)
        };
        Ok(readings.iter().all(is_proven).then_some(reference))
    }

    async fn keep_item(&self, entry: &ItemEntry) -> Result<(), StoreError> {
        self.store
            .put_item(&Item {
                serial: entry.serial.clone(),
                model: unless_empty(&entry.model),
                lot: unless_empty(&entry.lot),
                size: unless_empty(&entry.size),
                construction: unless_empty(&entry.construction),
                note: None,
                first_seen: Timestamp::now(),
            })
            .await?;
        if entry.check_item {
            let since = Timestamp::now();
            self.store.put_check_item(&entry.serial, since).await?;
        }
        Ok(())
    }

    async fn begin(
        &self,
        item: Option<&ItemEntry>,
        reference: Option<RunId>,
        kept: &Kept,
    ) -> Result<RunId, StoreError> {
        let run = self
            .store
            .begin_run_of(
                self.job,
                kept.batch,
                &NewRun {
                    kind: match item {
                        Some(_) => RunKind::Item,
                        None => RunKind::Reference,
                    },
                    item: item.map(|item| item.serial.clone()),
                    model: item.and_then(|item| unless_empty(&item.model)),
                    lot: item.and_then(|item| unless_empty(&item.lot)),
                    plan_sha: kept.plan_sha.clone(),
                    station_sha: kept.station_sha.clone(),
                    driver_shas: kept.driver_shas.clone(),
                    reference_run: reference,
                    signature: kept.signature.clone(),
                    operator: self.operator.clone(),
                    started: Timestamp::now(),
                    note: None,
                    program_version: env!("CARGO_PKG_VERSION").to_owned(),
                    instruments: Some(self.station.identities.instruments()),
                },
            )
            .await?;
        if let Some(cycles) = item.and_then(|item| item.cycles) {
            self.store.put_cycles(run, cycles).await?;
        }
        Ok(run)
    }

    /// Measures what a run still lacks and closes it, well or not.
    async fn go_on(
        &self,
        plan: &Plan,
        run: RunId,
        item: Option<&str>,
    ) -> Result<(), ProcedureError> {
        let outcome = self.go_on_open(plan, run, item).await;
        if let Err(error) = &outcome {
            let state = match error {
                ProcedureError::Stopped
                | ProcedureError::Station {
                    cause: StationError::Interlock { .. },
                    ..
                } => RunState::Stopped,
                _ => RunState::Failed,
            };
            let noted = self
                .store
                .set_state(run, state, Some(&error.to_string()))
                .await;
            if let Err(store_error) = noted {
                tracing::error!(%store_error, "the end of the run could not be noted");
            }
            if let ProcedureError::Implausible { reason, .. } = error {
                // What was read through something cannot be gone on with.
                self.store.withdraw(run, reason, Timestamp::now()).await?;
            }
        }
        outcome
    }

    async fn go_on_open(
        &self,
        plan: &Plan,
        run: RunId,
        item: Option<&str>,
    ) -> Result<(), ProcedureError> {
        let record = self.store.run(run).await?;
        let narrowed = record
            .is_reference_check()
            .then(|| plan.for_reference_check());
        let plan = narrowed.as_ref().unwrap_or(plan);
        let present: HashSet<ReadingKey> =
            self.store.reading_keys(run).await?.into_iter().collect();
        let kinds = match narrowed {
            Some(_) => steps::CHECKED,
            None => kinds(item),
        };
        let stands = missing(stands(plan, item), kinds, &present);
        self.store.set_state(run, RunState::Running, None).await?;
        self.tell(Event::Run {
            run,
            item: item.map(str::to_owned),
            readings: readings_missing(&stands, kinds, &present),
        })
        .await;
        let evaluator = match item {
            Some(_) => Some(Evaluator::of(&self.store, &record).await?),
            None => None,
        };
        match plan.arrangement {
            Arrangement::Linked => {
                self.go_on_linked(plan, &record, (&stands, &present), evaluator.as_ref())
                    .await?;
            }
            Arrangement::Sealed => {
                self.go_on_sealed(plan, &record, &present, evaluator.as_ref())
                    .await?;
            }
            // Its readings come with the recording.
            Arrangement::Scheduled => {
                return self.go_on_scheduled(plan, run, item, &present).await;
            }
        }
        self.refuse_a_closed_path(&record).await?;
        self.warn_of_link_budget(&record).await?;
        let verdict = match &evaluator {
            Some(evaluator) => evaluator.verdict(&evaluator.run().await?),
            None => None,
        };
        self.store.finish(run, verdict, Timestamp::now()).await?;
        self.tell(Event::Finished {
            run,
            item: item.map(str::to_owned),
            verdict,
        })
        .await;
        Ok(())
    }

    /// Every reading by itself, the receiver within reach.
    async fn go_on_linked(
        &self,
        plan: &Plan,
        run: &RunRecord,
        (stands, present): (&[Stand], &HashSet<ReadingKey>),
        evaluator: Option<&Evaluator>,
    ) -> Result<(), ProcedureError> {
        let mut moves = self.moves(plan, run.id).await?;
        let points = stands.iter().map(|stand| stand.points.len()).sum();
        let mut read = 0;
        for stand in stands {
            self.place(&stand.placement).await?;
            for point in &stand.points {
                match evaluator {
                    Some(evaluator) => {
                        let kinds = kinds(run.item.as_deref());
                        self.read_point(plan, run, kinds, point, present, &mut moves)
                            .await?;
                        let result = Box::new(evaluator.point(point).await?);
                        self.tell(Event::Point { result }).await;
                    }
                    None => {
                        let floor = &[ReadingKind::Floor];
                        let at = self.read_point(plan, run, floor, point, present, &mut moves);
                        let at = at.await?;
                        self.read_open(plan, run, point, at, present).await?;
                        let here = std::slice::from_ref(point);
                        self.refuse_off_frequency(run, here).await?;
                        read += 1;
                        self.refuse_early(run, read, points).await?;
                    }
                }
            }
        }
        Ok(())
    }

    /// The readings of these kinds of a point that are missing; answers with where they are taken.
    async fn read_point(
        &self,
        plan: &Plan,
        run: &RunRecord,
        kinds: &[ReadingKind],
        point: &Point,
        present: &HashSet<ReadingKey>,
        moves: &mut Moves,
    ) -> Result<Frequency, ProcedureError> {
        let item = run.item.as_deref();
        for kind in kinds {
            let key = steps::key(*kind, point);
            if present.contains(&key) {
                continue;
            }
            let place = place_of(item, &key);
            match (*kind, moves.may_search()) {
                (ReadingKind::Floor, Some(most)) => {
                    let at = self.floor_in_the_clear(plan, run.id, &place, point, most);
                    moves.insert(point, at.await?);
                }
                _ => {
                    let aim = self.aim(plan, key, moves.at(point), item.is_some());
                    self.read(plan, run.id, &place, aim).await?;
                }
            }
        }
        Ok(moves.at(point))
    }

    async fn place(&self, placement: &Placement) -> Result<(), ProcedureError> {
        self.tell(Event::Placing {
            placement: placement.clone(),
        })
        .await;
        let placed = async {
            match &self.station.config.placement {
                Some(command) => place_by_command(command, placement)
                    .await
                    .map_err(ProcedureError::at(placement)),
                None => match self
                    .hands
                    .place(placement, self.station.has_recorder())
                    .await
                {
                    true => Ok(()),
                    false => Err(ProcedureError::Stopped),
                },
            }
        };
        tokio::select! {
            placed = placed => placed,
            () = self.stop.cancelled() => Err(ProcedureError::Stopped),
        }
    }

    /// How the receiver is set for a reading taken at `at`.
    fn aim(&self, plan: &Plan, key: ReadingKey, at: Frequency, closed: bool) -> Aim {
        let asked = Frequency::from_hz(key.point.frequency_hz);
        let mut receiver = ReceiverSettings {
            centre: at,
            ..receiver_settings(plan, asked, closed)
        };
        if key.kind == ReadingKind::Pad {
            receiver.attenuation = receiver.attenuation.map(|attenuation| attenuation + STEP);
        }
        Aim {
            key,
            receiver,
            tolerance: self.station.config.frequency_tolerance,
        }
    }

    /// One reading, kept; told of once it is.
    async fn read(
        &self,
        plan: &Plan,
        run: RunId,
        place: &str,
        aim: Aim,
    ) -> Result<(), ProcedureError> {
        let (attempt, taken) = self.take_patiently(plan, run, place, &aim).await?;
        let end = taken.end.clone();
        let reading = reading(aim, attempt, taken).map_err(refused(place))?;
        self.store
            .append_reading(run, &reading, end.as_ref())
            .await?;
        self.tell_of(&reading).await;
        Ok(())
    }

    async fn tell_of(&self, reading: &NewReading) {
        self.tell(Event::Reading {
            key: reading.key.clone(),
            level_dbm: reading.peak_dbm,
        })
        .await;
    }

    /// One reading, with as many attempts as a fault on the wire is worth; answers with their number.
    async fn take_patiently(
        &self,
        plan: &Plan,
        run: RunId,
        place: &str,
        aim: &Aim,
    ) -> Result<(u32, Taken), ProcedureError> {
        let mut attempt = 1;
        loop {
            if self.stop.is_cancelled() {
                return Err(ProcedureError::Stopped);
            }
            let taken = match self.take(plan, run, place, aim).await {
                Ok(taken) => Ok(self.with_forward_power(plan, run, aim, taken).await?),
                Err(error) => Err(error),
            };
            match taken {
                Ok(taken) if attempt < ATTEMPTS_MAX && taken.proves_nothing().is_some() => {
                    self.discard(place, &taken).await?;
                    attempt += 1;
                }
                Ok(taken) => return Ok((attempt, taken)),
                Err(error) if attempt < ATTEMPTS_MAX && worth_another(&error) => {
                    self.tell(Event::Again {
                        place: place.to_owned(),
                        reason: error.to_string(),
                    })
                    .await;
                    tokio::time::sleep(RETRY_WAIT * 2u32.pow(attempt - 1)).await;
                    // Settings may be gone with the fault; a failure to restart is met by the reading.
                    if let Err(error) = self.station.restart().await {
                        tracing::warn!(%error, "the instruments could not be put into their known state");
                    }
                    attempt += 1;
                }
                Err(error) => return Err(ProcedureError::at(place)(error)),
            }
        }
    }

    /// Throws a reading away that proves nothing, and says why; its emission is closed in the log.
    async fn discard(&self, place: &str, taken: &Taken) -> Result<(), ProcedureError> {
        if let Some(end) = &taken.end {
            self.store.end_emission(end).await?;
        }
        self.tell(Event::Again {
            place: place.to_owned(),
            reason: taken.proves_nothing().unwrap_or_default(),
        })
        .await;
        // A source that has tripped or reset is put into its known state; a failure of that is met by the reading.
        if taken.lost().is_some()
            && let Err(error) = self.station.restart().await
        {
            tracing::warn!(%error, "the instruments could not be put into their known state");
        }
        Ok(())
    }

    /// With its forward power held against that of the reference's signal: where the source sends so much less, so
    /// much less must go forward.
    async fn with_forward_power(
        &self,
        plan: &Plan,
        run: RunId,
        aim: &Aim,
        mut taken: Taken,
    ) -> Result<Taken, StoreError> {
        if let (Some(forward), Some(sent_dbm)) = (taken.forward, taken.sent_dbm()) {
            let gain_db = forward.dbm() - sent_dbm;
            taken.forward_wrong = self
                .forward_wrong(plan, run, &aim.key.point, gain_db)
                .await?;
        }
        Ok(taken)
    }

    /// What is wrong about the forward power at a point, which is so much above what the source sends.
    async fn forward_wrong(
        &self,
        plan: &Plan,
        run: RunId,
        point: &Point,
        gain_db: f64,
    ) -> Result<Option<ForwardWrong>, StoreError> {
        let reference = self.store.run(run).await?.reference_run;
        let open = Point {
            face: evaluate::OPEN.to_owned(),
            repeat: 1,
            ..point.clone()
        };
        let key = steps::key(ReadingKind::Signal, &open);
        let before = self
            .store
            .reading_with_trace(reference.unwrap_or(run), &key)
            .await?;
        let before_db = before.and_then(|(before, _)| evaluate::forward_gain_db(&before));
        Ok(match before_db.map(|before_db| gain_db - before_db) {
            Some(off_db) if off_db.abs() > plan.forward_power_tolerance.db() => {
                Some(ForwardWrong::Off(Ratio::from_db(off_db)))
            }
            Some(_) => None,
            // A reference's signal is what others are held against; its step is held against it when both are kept.
            None => reference.map(|_| ForwardWrong::NotInReference),
        })
    }

    /// What is to be sent for a signal, or a step below it; `at` differs from what was `asked` where that was not clear.
    fn emission(
        &self,
        plan: &Plan,
        run: RunId,
        place: &str,
        (kind, asked, at): (ReadingKind, Frequency, Frequency),
    ) -> EmissionRequest {
        let level = plan.settings_at(asked).source_level;
        let permission = self
            .station
            .config
            .protected_band(at)
            .and_then(|band| plan.permission(&band.name))
            .map(|permission| permission.text.clone());
        EmissionRequest {
            run: Some(run),
            frequency: at,
            level: match kind {
                ReadingKind::Step => level - STEP,
                _ => level,
            },
            why: place.to_owned(),
            permission,
        }
    }

    /// The floor as it is, or the signal while the output is on.
    async fn take(
        &self,
        plan: &Plan,
        run: RunId,
        place: &str,
        aim: &Aim,
    ) -> Result<Taken, StationError> {
        let (kind, settings) = (aim.key.kind, aim.receiver);
        match kind {
            ReadingKind::Floor | ReadingKind::Ambient => Ok(Taken {
                held: self.station.hold(settings, &self.stop).await?,
                source_level_dbm: None,
                carrier: None,
                forward: None,
                forward_wrong: None,
                end: None,
            }),
            ReadingKind::Signal | ReadingKind::Step | ReadingKind::Pad => {
                let asked = Frequency::from_hz(aim.key.point.frequency_hz);
                let request = self.emission(plan, run, place, (kind, asked, settings.centre));
                let settle: Time = plan.settings_at(asked).settle;
                let emitted = self
                    .station
                    .guard()
                    .emit(request, &self.stop, async {
                        // Even a sleep of no length waits for the timer's next tick, a millisecond.
                        if settle.s() > 0.0 {
                            let settled = tokio::time::sleep(settle.duration());
                            self.station.guard().alive(settled).await;
                        }
                        self.station.hold(settings, &self.stop).await
                    })
                    .await?;
                Ok(Taken {
                    held: emitted.measured,
                    source_level_dbm: Some(emitted.sent.level.dbm()),
                    carrier: Some(emitted.carrier),
                    forward: emitted.forward,
                    forward_wrong: None,
                    end: Some(emitted.end),
                })
            }
        }
    }
}

/// A reading about to be made: its name, and how the receiver is set for it.
struct Aim {
    key: ReadingKey,
    receiver: ReceiverSettings,
    /// How far source and receiver may be off, as a part of the frequency.
    tolerance: f64,
}

fn place_of(item: Option<&str>, key: &ReadingKey) -> String {
    format!("{}, {key}", item.unwrap_or("reference"))
}

/// What was taken, with its peak picked, as it is kept.
fn reading(aim: Aim, attempt: u32, taken: Taken) -> Result<NewReading, AnalysisError> {
    let receiver = aim.receiver;
    let held = &taken.held;
    let picked = evaluate::pick(
        &held.trace,
        receiver.centre,
        held.resolution_bandwidth(&receiver),
        aim.tolerance,
    )?;
    let overload = held.overload.then_some(FlagWord::Overload);
    let changed = (!held.changed.is_empty()).then_some(FlagWord::SettingsChanged);
    let lost = taken.lost().map(|_| FlagWord::CarrierLost);
    let forward = taken.forward_wrong.map(|_| FlagWord::ForwardPower);
    let mut settings = receiver_json(&receiver, Some(held));
    settings["source_level_dbm"] = json!(taken.source_level_dbm);
    if let Some(carrier) = &taken.carrier {
        settings["carrier"] = carrier.json();
    }
    if let Some(forward) = taken.forward {
        settings["forward_dbm"] = json!(forward.dbm());
    }
    if receiver.centre.hz() != aim.key.point.frequency_hz {
        settings["measured_hz"] = json!(receiver.centre.hz());
    }
    Ok(NewReading {
        key: aim.key,
        attempt,
        taken: Timestamp::now(),
        sweeps: receiver.sweeps,
        peak_dbm: picked.level_dbm,
        peak_hz: picked.frequency_hz,
        flags: [overload, changed, lost, forward]
            .into_iter()
            .flatten()
            .map(|word| word.as_str().to_owned())
            .collect(),
        settings,
        trace: taken.held.trace,
    })
}

/// The receiver's settings as they are kept with a reading: what it had, where it could be asked, else what it
/// was told.
fn receiver_json(receiver: &ReceiverSettings, held: Option<&Held>) -> serde_json::Value {
    let mut settings = json!({
        "span_hz": receiver.span.hz(),
        "points": receiver.points,
        "resolution_bandwidth_hz": receiver.resolution_bandwidth.hz(),
        "video_bandwidth_hz": receiver.video_bandwidth.map(Frequency::hz),
        "attenuation_db": receiver.attenuation.map(|ratio| ratio.db()),
        "preamplifier": receiver.preamplifier,
        "detector": receiver.detector.map(|detector| detector.word()),
    });
    let state = held.and_then(|held| held.state.as_ref());
    settings["read_back"] = json!(state.is_some());
    if let Some(state) = state {
        state.write_over(&mut settings);
    }
    if let Some(held) = held.filter(|held| !held.changed.is_empty()) {
        settings["changed"] = ReceiverState::changed_json(&held.changed);
    }
    settings
}

/// The files of a run, as they were, by their checksums.
#[derive(Clone)]
struct Kept {
    plan_sha: String,
    station_sha: String,
    driver_shas: Vec<String>,
    signature: String,
    /// What the runs that are begun with them belong to.
    batch: Option<BatchId>,
}

/// A reading not yet kept.
struct Taken {
    held: Held,
    source_level_dbm: Option<f64>,
    /// Whether the carrier was there, where one was sent.
    carrier: Option<Carrier>,
    /// The power towards the antenna, where the station has a monitor of it.
    forward: Option<Level>,
    /// What is wrong about that.
    forward_wrong: Option<ForwardWrong>,
    end: Option<EmissionEnd>,
}

/// What is wrong about a forward power.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
enum ForwardWrong {
    /// By how much it is more than the reference's, for what the source sends.
    #[error(
        "the forward power differs from the reference's by {0} for what the source sends: look at the amplifier and the cable to the antenna"
    )]
    Off(Ratio),
    /// There is nothing to hold it against.
    #[error(
        "the reference has no forward power to hold this one against: measure a fresh reference"
    )]
    NotInReference,
}

impl Taken {
    /// What the source sends, as it says or as it was told.
    fn sent_dbm(&self) -> Option<f64> {
        let said = self.carrier.as_ref().and_then(Carrier::level);
        said.map(Level::dbm).or(self.source_level_dbm)
    }

    fn lost(&self) -> Option<&str> {
        self.carrier.as_ref().and_then(Carrier::lost)
    }

    /// Why it proves nothing; none where it does.
    fn proves_nothing(&self) -> Option<String> {
        let lost = self
            .lost()
            .map(|reason| format!("the source was not sending as asked: {reason}"));
        let forward = self.forward_wrong.map(|wrong| wrong.to_string());
        lost.or(forward).or_else(|| {
            let changed = self.held.clone().unchanged();
            changed.err().map(|error| error.to_string())
        })
    }
}

/// How a plan sets the receiver at a frequency: in the open, or with it (or its antenna) in a closed item.
fn receiver_settings(plan: &Plan, centre: Frequency, closed: bool) -> ReceiverSettings {
    let settings = plan.settings_at(centre);
    ReceiverSettings {
        centre,
        span: settings.span,
        points: settings.points,
        resolution_bandwidth: settings.resolution_bandwidth,
        video_bandwidth: settings.video_bandwidth,
        attenuation: settings.attenuation,
        preamplifier: settings.preamplifier.map(|it| it.is_on(closed)),
        detector: settings.detector,
        sweeps: settings.sweeps,
        accept_adjusted: plan.accept_adjusted,
    }
}

/// An item file leaves a word empty where there is none.
fn unless_empty(text: &str) -> Option<String> {
    (!text.is_empty()).then(|| text.to_owned())
}

/// A fault on the wire may pass; a refusal, a protected band or a source that stays on will not.
fn worth_another(error: &StationError) -> bool {
    matches!(
        error,
        StationError::KeeperGone
            | StationError::Instrument(
                InstrumentError::Link { .. }
                    | InstrumentError::Silent { .. }
                    | InstrumentError::Restarted { .. }
                    | InstrumentError::OutOfStep { .. }
                    | InstrumentError::Answer { .. }
                    | InstrumentError::Points { .. }
                    | InstrumentError::NotALevel { .. }
                    // Another program may have been at it, once.
                    | InstrumentError::Adjusted { .. }
                    | InstrumentError::Changed { .. }
                    | InstrumentError::TraceUnit { .. }
                    // Of a sealed receiver: the closure does not count, and is made again.
                    | InstrumentError::NotArmed { .. }
                    | InstrumentError::SweepsMissing { .. }
            )
    )
}
