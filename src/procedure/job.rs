//! A reference, the items after it and a look at the reference at the end: what one command or one job of the queue has
//! to measure, of which some runs may have been begun before.

use jiff::Timestamp;

use super::{Event, Kept, Procedure, ProcedureError};
use crate::config::{Bracket, ItemEntry, Plan};
use crate::evaluate::{Evaluator, ReferenceChange, UNSTABLE_DB, is_unstable};
use crate::quantity::one_decimal;
use crate::store::{
    BatchRecord, NewBatch, RunId, RunKind, RunRecord, RunState, Verdict, check_signature,
};

/// What is to be measured.
#[derive(Debug, Clone, Copy)]
pub struct Order<'a> {
    /// How.
    pub plan: &'a Plan,
    /// What; empty for the open path alone.
    pub items: &'a [ItemEntry],
    /// Measure a new reference even if there is one that is still good.
    pub fresh_reference: bool,
}

impl Procedure {
    /// Measures every item against a reference, which is measured first unless there is one still good; where
    /// the plan brackets, the reference is looked at again after the last. What is to be measured is kept first, so that
    /// all of it can be gone on with ([`Self::resume_batch`]).
    pub async fn measure(
        &self,
        plan: &Plan,
        items: &[ItemEntry],
        fresh_reference: bool,
    ) -> Result<Vec<RunId>, ProcedureError> {
        let order = Order {
            plan,
            items,
            fresh_reference,
        };
        let mut kept = self.ready(plan).await?;
        let new = NewBatch {
            station: self.station.config.name.clone(),
            plan_sha: kept.plan_sha.clone(),
            items: items.to_vec(),
            fresh_reference,
            operator: self.operator.clone(),
        };
        let batch = self.store.begin_batch(&new, Timestamp::now()).await?;
        kept.batch = Some(batch);
        let runs = self.measure_missing(order, &[], &kept).await?;
        self.store.end_batch(batch, Timestamp::now()).await?;
        Ok(runs)
    }

    /// Goes on with all that a command had to measure; answers with all its runs.
    pub async fn resume_batch(&self, batch: &BatchRecord) -> Result<Vec<RunId>, ProcedureError> {
        let mut begun = Vec::with_capacity(batch.runs.len());
        for run in &batch.runs {
            begun.push(self.store.run(*run).await?);
        }
        let text = self.store.snapshot(&batch.plan_sha).await?;
        let (name, text) = text.map_or_else(Default::default, |it| (it.name, it.text));
        let plan =
            Plan::read(&name, &text).map_err(|faults| ProcedureError::Config(faults.into()))?;
        let order = Order {
            plan: &plan,
            items: &batch.items,
            fresh_reference: batch.fresh_reference,
        };
        let mut kept = self.ready(&plan).await?;
        kept.batch = Some(batch.id);
        let runs = self.measure_missing(order, &begun, &kept).await?;
        self.store.end_batch(batch.id, Timestamp::now()).await?;
        Ok(runs)
    }

    /// Measures what `order` asks for, as [`Procedure::measure`] does. `begun` are the runs of an earlier attempt,
    /// in order: the complete ones stand, the others are gone on with.
    pub async fn measure_rest(
        &self,
        order: Order<'_>,
        begun: &[RunRecord],
    ) -> Result<Vec<RunId>, ProcedureError> {
        let kept = self.ready(order.plan).await?;
        self.measure_missing(order, begun, &kept).await
    }

    /// Looks at the reference again after these runs, where the plan brackets, and judges them by how far it had
    /// changed.
    pub async fn bracket(
        &self,
        plan: &Plan,
        measured: &[RunId],
    ) -> Result<Option<RunId>, ProcedureError> {
        let Some(last) = measured.last() else {
            return Ok(None);
        };
        let Some(reference) = self.store.run(*last).await?.reference_run else {
            return Ok(None);
        };
        let kept = self.keep_files(plan).await?;
        self.look_again(plan, &kept, reference, measured, None)
            .await
    }

    async fn ready(&self, plan: &Plan) -> Result<Kept, ProcedureError> {
        plan.check(&self.station.config)?;
        self.check_calibrations().await?;
        Ok(self.keep_files(plan).await?)
    }

    async fn measure_missing(
        &self,
        order: Order<'_>,
        begun: &[RunRecord],
        kept: &Kept,
    ) -> Result<Vec<RunId>, ProcedureError> {
        let Order { plan, items, .. } = order;
        // A reference that was refused, or a run that somebody withdrew, is not gone on with.
        let counts = |run: &&RunRecord| run.withdrawn.is_none();
        let begun: Vec<RunRecord> = begun.iter().filter(counts).cloned().collect();
        if let Some(run) = begun_otherwise(&begun, kept) {
            // Names the instruments where they are the reason.
            self.refuse_other_instruments(run).await?;
            return Err(ProcedureError::NotResumable {
                run: run.id,
                reason: "station file, drivers or settings have changed since it was begun, so what is left would not belong \
                    to it; measure the items anew"
                    .to_owned(),
            });
        }
        let mut runs = Vec::new();
        let reference = self.first_reference(order, &begun, kept, &mut runs).await?;
        self.refuse_other_instruments(&self.store.run(reference).await?)
            .await?;
        let mut measured = Vec::new();
        for item in items {
            self.keep_item(item).await?;
            let of_item = |run: &&RunRecord| run.item.as_ref() == Some(&item.serial);
            let run = match begun.iter().find(of_item) {
                Some(run) => self.complete(run).await?,
                None => {
                    let run = self.begin(Some(item), Some(reference), kept).await?;
                    self.go_on(plan, run, Some(&item.serial)).await?;
                    run
                }
            };
            measured.push(run);
        }
        runs.extend(&measured);
        let after = self.look_again(plan, kept, reference, &measured, Some(&begun));
        runs.extend(after.await?);
        Ok(runs)
    }

    /// Looks at a reference again, all of it or at a few frequencies, and judges the runs before by how far it had
    /// changed. One that was begun before is gone on with.
    async fn look_again(
        &self,
        plan: &Plan,
        kept: &Kept,
        reference: RunId,
        measured: &[RunId],
        begun: Option<&[RunRecord]>,
    ) -> Result<Option<RunId>, ProcedureError> {
        if plan.bracket == Bracket::None || measured.is_empty() {
            return Ok(None);
        }
        // Only one that comes after a reference is subtracted from nothing and follows one.
        let is_after =
            |run: &&RunRecord| run.kind == RunKind::Reference && run.reference_run.is_some();
        let after = match begun.unwrap_or_default().iter().find(is_after) {
            Some(run) => self.complete(run).await?,
            None => {
                let mut kept = kept.clone();
                if plan.bracket == Bracket::Check {
                    kept.signature = check_signature(&kept.signature);
                }
                // Where an item was measured beside an ambient signal, so is the reference after it.
                let after = self.begin(None, Some(reference), &kept).await?;
                self.go_on(plan, after, None).await?;
                after
            }
        };
        for run in measured {
            self.judge_again(*run, after).await?;
        }
        self.warn_if_unstable(reference, after, measured.len())
            .await?;
        Ok(Some(after))
    }

    async fn warn_if_unstable(
        &self,
        reference: RunId,
        after: RunId,
        runs: usize,
    ) -> Result<(), ProcedureError> {
        let change = ReferenceChange::between(&self.store, reference, after).await?;
        if let Some(largest_db) = change.largest_db().filter(|db| is_unstable(*db)) {
            let text = format!(
                "the reference had changed by {} dB when it was looked at again, by more than {UNSTABLE_DB} dB: the {runs} run(s) before it are undecided; find the cause (levels, cables, antennas, temperature) and measure the items again",
                one_decimal(largest_db)
            );
            self.tell(Event::Warning { text }).await;
        }
        Ok(())
    }

    /// Works out a complete run again, now that it is known how far the reference changed meanwhile.
    async fn judge_again(&self, run: RunId, after: RunId) -> Result<(), ProcedureError> {
        self.store.set_reference_after(run, after).await?;
        let record = self.store.run(run).await?;
        let evaluator = Evaluator::of(&self.store, &record).await?;
        let verdict: Option<Verdict> = evaluator.verdict(&evaluator.run().await?);
        self.store.set_verdict(run, verdict).await?;
        self.tell(Event::Finished {
            run,
            item: record.item,
            verdict,
        })
        .await;
        Ok(())
    }

    /// The reference for the items: that of the earlier attempt, one that is still good, or a new one.
    async fn first_reference(
        &self,
        order: Order<'_>,
        begun: &[RunRecord],
        kept: &Kept,
        runs: &mut Vec<RunId>,
    ) -> Result<RunId, ProcedureError> {
        match begun.first() {
            Some(run) if run.kind == RunKind::Reference => {
                let run = self.complete(run).await?;
                runs.push(run);
                return Ok(run);
            }
            Some(RunRecord {
                reference_run: Some(reference),
                ..
            }) => return Ok(*reference),
            _ => {}
        }
        let may_reuse = !order.fresh_reference && !order.items.is_empty();
        if may_reuse && let Some(reference) = self.good_reference(order.plan, kept).await? {
            self.tell(Event::ReferenceReused {
                run: reference.id,
                started: reference.started,
            })
            .await;
            return Ok(reference.id);
        }
        let run = self.begin(None, None, kept).await?;
        self.go_on(order.plan, run, None).await?;
        runs.push(run);
        Ok(run)
    }

    /// Goes on with a run unless it is complete.
    async fn complete(&self, run: &RunRecord) -> Result<RunId, ProcedureError> {
        match run.state {
            RunState::Complete => Ok(run.id),
            _ => self.resume(run.id).await,
        }
    }
}

/// A run begun with another station file, other instruments or settings: it shares no reference with those that are left.
fn begun_otherwise<'a>(begun: &'a [RunRecord], kept: &Kept) -> Option<&'a RunRecord> {
    let check = check_signature(&kept.signature);
    begun
        .iter()
        .find(|run| run.signature != kept.signature && run.signature != check)
}
