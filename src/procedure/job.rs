//! Goes on with a whole job: a reference and items of which some runs may have been begun before.

use super::{Kept, Procedure, ProcedureError};
use crate::config::{ItemEntry, Plan};
use crate::store::{RunId, RunKind, RunRecord, RunState};

use super::Event;

/// What a job measures.
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
    /// Measures what `order` asks for, as [`Procedure::measure`] does. `begun` are the runs of an earlier attempt,
    /// in order: the complete ones stand, the others are gone on with.
    pub async fn measure_rest(
        &self,
        order: Order<'_>,
        begun: &[RunRecord],
    ) -> Result<Vec<RunId>, ProcedureError> {
        let Order { plan, items, .. } = order;
        plan.check(&self.station.config)?;
        self.check_calibrations().await?;
        let kept = self.keep_files(plan).await?;
        let mut runs = Vec::new();
        let reference = self.first_reference(order, begun, &kept, &mut runs).await?;
        self.refuse_other_instruments(&self.store.run(reference).await?)
            .await?;
        let mut measured = Vec::new();
        for item in items {
            self.keep_item(item).await?;
            let of_item = |run: &&RunRecord| run.item.as_ref() == Some(&item.serial);
            let run = match begun.iter().find(of_item) {
                Some(run) => self.complete(run).await?,
                None => {
                    let run = self.begin(Some(item), Some(reference), &kept).await?;
                    self.go_on(plan, run, Some(&item.serial)).await?;
                    run
                }
            };
            measured.push(run);
        }
        runs.extend(&measured);
        if plan.bracket && !measured.is_empty() {
            // A reference that is not the first of the runs can only be the one afterwards.
            let mut later = begun.iter().skip(1);
            let after = match later.find(|run| run.kind == RunKind::Reference) {
                Some(run) => self.complete(run).await?,
                None => {
                    // Where an item was measured beside an ambient signal, so is the reference after it.
                    let after = self.begin(None, Some(reference), &kept).await?;
                    self.go_on(plan, after, None).await?;
                    after
                }
            };
            runs.push(after);
            for run in measured {
                self.judge_again(run, after).await?;
            }
        }
        Ok(runs)
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
