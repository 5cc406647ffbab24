//! Units of a lot measured as their serials are scanned, by this process or by the daemon that owns the station.

use tokio_util::sync::CancellationToken;

use crate::cli::follow::{follow_job, new_job};
use crate::cli::measure::Work;
use crate::cli::watch::{Person, Watch};
use crate::cli::{CliError, table};
use crate::config::{self, Bracket, ItemEntry, Plan};
use crate::evaluate::lot::{Admission, LotDocument, admit, judge};
use crate::procedure::{Procedure, ProcedureError};
use crate::store::{Lot, RunId, Store, Verdict, sha256_hex};

/// Units of a lot, as their serials are scanned.
pub(in crate::cli) struct Scan {
    /// The lot, which has a rule.
    pub lot: Lot,
    /// What is measured of each unit.
    pub plan: Plan,
}

impl Scan {
    /// Measures units until the sample is complete or whoever scans says so.
    pub(in crate::cli) async fn units(
        &self,
        way: &Way<'_>,
        person: &Person,
    ) -> Result<Vec<RunId>, CliError> {
        let store = way.store();
        let mut runs = Vec::new();
        let mut asked_again = None;
        loop {
            let document = judge(store, &self.lot.name).await?;
            if asked_again.is_none() {
                self.so_far(&document, person);
                // A sample that decides nothing may be decided by measuring undecided units again.
                let open = document.verdict == Some(Verdict::Undecided);
                if !runs.is_empty() && document.is_complete() && !open {
                    break;
                }
            }
            let Some(scanned) = self.scan(way, person, &document).await? else {
                break;
            };
            let again = asked_again.take().is_some_and(|asked| asked == scanned);
            let shown = table::shown(&scanned);
            match admit(store, &self.lot, &scanned).await? {
                Admission::Refused(why) => person.tell(&format!("  {shown} {why}")),
                Admission::Measured(verdict) if !again => {
                    person.tell(&format!(
                        "  {shown} was measured before: {}. Scan it once more to measure it again, or scan another.",
                        verdict.map_or("not judged", Verdict::as_str)
                    ));
                    asked_again = Some(scanned);
                }
                Admission::Begun(run) if self.is_of_this_plan(store, run).await? => {
                    runs.extend(self.rest(way, run, &scanned).await?);
                }
                Admission::New | Admission::Measured(_) | Admission::Begun(_) => {
                    runs.extend(self.unit(way, &scanned).await?);
                }
            }
        }
        if let Way::Here(procedure) = way {
            let after = procedure.bracket(&self.plan, &runs).await?;
            runs.extend(after);
        }
        Ok(runs)
    }

    /// Says how far the sample has come, and when nothing can change its verdict any more.
    fn so_far(&self, document: &LotDocument, person: &Person) {
        let some = document.so_far().filter(|_| document.measured() > 0);
        let Some(so_far) = some else { return };
        let counted = document.attributes.as_ref().map(|found| found.count);
        let words = counted.map_or(String::new(), |count| {
            format!(
                ": {} passed, {} failed, {} undecided",
                count.pass, count.fail, count.undecided
            )
        });
        person.tell(&format!("  {so_far}{words}"));
        if !document.is_complete() && document.is_decided() {
            person.tell(&format!(
                "  {}: the units that are left could not change it. Enter ends, or scan on.",
                document.sentence()
            ));
        }
    }

    async fn is_of_this_plan(&self, store: &Store, run: RunId) -> Result<bool, CliError> {
        let begun = store.run(run).await?;
        Ok(begun.plan_sha == sha256_hex(self.plan.text.as_bytes()))
    }

    async fn scan(
        &self,
        way: &Way<'_>,
        person: &Person,
        document: &LotDocument,
    ) -> Result<Option<String>, CliError> {
        let sample = document.lot.rule.as_ref().map_or(0, |rule| rule.sample);
        let what = match document.is_complete() {
            true => "scan a unit to measure it again".to_owned(),
            false => format!(
                "unit {} of {sample}: scan a serial",
                document.measured() + 1
            ),
        };
        let request = format!("\n  {what} (Enter alone ends): ");
        let line = tokio::select! {
            line = person.scan(&request) => line,
            () = way.stop().cancelled() => return Err(ProcedureError::Stopped.into()),
        };
        let line = line.map(|line| line.trim().to_owned());
        Ok(line.filter(|line| !line.is_empty() && !line.eq_ignore_ascii_case("done")))
    }

    async fn unit(&self, way: &Way<'_>, serial: &str) -> Result<Option<RunId>, CliError> {
        let known = way.store().item(serial).await?;
        let some = |text: Option<String>| text.unwrap_or_default();
        let (size, construction) = known.map_or_else(Default::default, |item| {
            (some(item.size), some(item.construction))
        });
        let entry = ItemEntry {
            serial: serial.to_owned(),
            model: some(self.lot.model.clone()),
            lot: self.lot.name.clone(),
            size,
            construction,
            ..ItemEntry::default()
        };
        way.measure(&self.plan, entry).await
    }

    /// Goes on with a run that was cut off, or measures the unit anew where that cannot be.
    async fn rest(
        &self,
        way: &Way<'_>,
        run: RunId,
        serial: &str,
    ) -> Result<Option<RunId>, CliError> {
        let resumed = match way {
            Way::Here(procedure) => procedure.resume(run).await,
            Way::Daemon(followed) => return followed.follow(Work::Rest(run)).await,
        };
        match resumed {
            Err(ProcedureError::NotResumable { .. }) => self.unit(way, serial).await,
            resumed => Ok(Some(resumed?)),
        }
    }
}

/// By what units are measured.
pub(in crate::cli) enum Way<'a> {
    /// By this process.
    Here(&'a Procedure),
    /// By the daemon that owns the station: a job for each unit.
    Daemon(Followed<'a>),
}

/// Jobs of a daemon that one person follows.
pub(in crate::cli) struct Followed<'a> {
    /// The database, which the daemon writes to as well.
    pub store: &'a Store,
    /// The station that it owns.
    pub station: &'a config::Station,
    /// Who measures.
    pub operator: Option<String>,
    /// Whoever answers what the daemon asks.
    pub person: &'a Person,
    /// Called when it is to stop.
    pub stop: CancellationToken,
}

impl Way<'_> {
    fn store(&self) -> &Store {
        match self {
            Self::Here(procedure) => &procedure.store,
            Self::Daemon(followed) => followed.store,
        }
    }

    fn stop(&self) -> &CancellationToken {
        match self {
            Self::Here(procedure) => &procedure.stop,
            Self::Daemon(followed) => &followed.stop,
        }
    }

    /// Measures one unit; a reference comes before it where none is good any more.
    async fn measure(&self, plan: &Plan, entry: ItemEntry) -> Result<Option<RunId>, CliError> {
        match self {
            Self::Here(procedure) => {
                // The reference is looked at again once, after the last unit.
                let plan = Plan {
                    bracket: Bracket::None,
                    ..plan.clone()
                };
                let runs = procedure.measure(&plan, &[entry], false).await?;
                Ok(runs.last().copied())
            }
            Self::Daemon(followed) => {
                let work = Work::Items {
                    plan: Box::new(plan.clone()),
                    items: vec![entry],
                    fresh_reference: false,
                };
                followed.follow(work).await
            }
        }
    }
}

impl Followed<'_> {
    /// The last run of the job, or none when the terminal was left while it goes on.
    async fn follow(&self, work: Work) -> Result<Option<RunId>, CliError> {
        let job = new_job(self.store, self.station, work, self.operator.clone()).await?;
        let watch = Watch::new(None);
        let done = follow_job(
            self.store,
            self.station,
            job,
            watch,
            self.person,
            &self.stop,
        )
        .await?;
        Ok(done.and_then(|runs| runs.last().copied()))
    }
}
