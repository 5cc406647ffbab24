//! The source's side of a timetable: marker, closing, every frequency at its time, opening, marker.

use std::collections::HashSet;

use jiff::Timestamp;

use super::super::steps::{self, Stand, missing, stands};
use super::super::{Event, Procedure, ProcedureError};
use super::{Clock, Schedule, later, whole_ms};
use crate::analysis::schedule::marker::Pattern;
use crate::analysis::schedule::{On, Role, SWITCH_MS};
use crate::config::Plan;
use crate::quantity::{Frequency, Level, Time};
use crate::station::{Placement, State};
use crate::store::{
    NewPass, PassId, ReadingKey, ReadingKind, RunId, RunKind, RunState, SendingRecord, SendingWhat,
};

/// From the last word of whoever placed things until the first chip, s, beside two chips: the recorder may
/// still be about to be sure of the marker before.
const LEAD_S: f64 = 1.0;
/// Why a run stands still that lacks nothing but its recording; said to the user too.
const AWAITS: &str =
    "all of it was sent; merge the recorder's file with `muffle record merge FILE`";

/// What a pass is to be of.
struct Request<'a> {
    run: RunId,
    kind: RunKind,
    stand: &'a Stand,
    /// What comes after it.
    next: Option<&'a Stand>,
    /// Whether it is placed already.
    placed: bool,
}

/// One way through the timetable.
struct Pass<'a> {
    run: RunId,
    id: PassId,
    plan: &'a Plan,
    clock: Clock,
    began: Timestamp,
    place: String,
}

impl Procedure {
    /// Sends what the stands of a run still lack, and leaves the run to wait for its recording.
    pub(in crate::procedure) async fn go_on_scheduled(
        &self,
        plan: &Plan,
        run: RunId,
        item: Option<&str>,
        present: &HashSet<ReadingKey>,
    ) -> Result<(), ProcedureError> {
        let schedule = Schedule::of(plan)?;
        schedule.check(&self.station.config)?;
        let kind = match item {
            Some(_) => RunKind::Item,
            None => RunKind::Reference,
        };
        let sent = self.store.passes(run).await?;
        let waits = |placement: &Placement| {
            sent.iter().any(|pass| {
                pass.ended.is_some()
                    && pass.recording.is_none()
                    && pass.pass.schedule == schedule.sha256
                    && pass.pass.face == placement.face
                    && pass.pass.polarisation == placement.polarisation
                    && pass.pass.repeat == placement.repeat
            })
        };
        let mut left = missing(stands(plan, item), steps::kinds(item), present);
        left.retain(|stand| !waits(&stand.placement));
        let mut placed = false;
        for (index, stand) in left.iter().enumerate() {
            let next = left.get(index + 1);
            let request = Request {
                run,
                kind,
                stand,
                next,
                placed,
            };
            placed = self.pass(plan, &schedule, request).await?;
        }
        self.store
            .set_state(run, RunState::Stopped, Some(AWAITS))
            .await?;
        self.tell(Event::Sent {
            run,
            item: item.map(str::to_owned),
        })
        .await;
        Ok(())
    }

    /// One way through the timetable; answers whether everything is placed for the next one.
    async fn pass(
        &self,
        plan: &Plan,
        schedule: &Schedule,
        request: Request<'_>,
    ) -> Result<bool, ProcedureError> {
        let Request {
            run,
            kind,
            stand,
            next,
            placed,
        } = request;
        let (timetable, pattern) = schedule.part(kind);
        let placement = &stand.placement;
        self.tell(Event::Pass {
            place: placement.to_string(),
            frequencies: stand.points.len(),
            lasts: Time::from_duration(std::time::Duration::from_secs_f64(schedule.length_s(kind))),
            schedule: schedule.sha256.clone(),
        })
        .await;
        let in_state = |state| Placement {
            state,
            ..placement.clone()
        };
        let is_item = kind == RunKind::Item;
        // With time to close the item, the markers are sent while it is open.
        let closed_meanwhile = is_item && plan.scheduling.is_some_and(|by| by.hands.s() > 0.0);
        if !placed {
            self.place(&in_state(match is_item && !closed_meanwhile {
                true => State::Closed,
                false => State::Open,
            }))
            .await?;
        }
        let pass = self.begin_pass(plan, run, schedule, placement).await?;
        self.send_marker(&pass, schedule, pattern, SendingWhat::Start, 0.0)
            .await?;
        if closed_meanwhile {
            let closing = in_state(State::Closed);
            let closing = self.place(&closing);
            self.in_time(&pass, closing, timetable.closed_ms).await?;
        }
        for one in &timetable.sendings {
            let what = match one.role {
                Role::Step => SendingWhat::Step,
                _ => SendingWhat::Signal,
            };
            let times_s = (one.on_ms as f64 / 1e3, one.off_ms as f64 / 1e3);
            self.send(&pass, what, one.frequency_hz, times_s).await?;
        }
        // Opened for this pass, and turned for the next, in one go.
        let turned = next.map_or(placement, |next| &next.placement);
        let opened = Placement {
            state: State::Open,
            ..turned.clone()
        };
        if closed_meanwhile {
            self.place(&opened).await?;
        }
        let ends_s = (timetable.ends_ms as f64 / 1e3).max(pass.clock.since_s(pass.began) + LEAD_S);
        self.send_marker(
            &pass,
            schedule,
            &schedule.markers.end,
            SendingWhat::End,
            ends_s,
        )
        .await?;
        self.store.end_pass(pass.id, pass.clock.now()).await?;
        if is_item && !closed_meanwhile {
            self.place(&opened).await?;
        }
        Ok(closed_meanwhile && next.is_some())
    }

    /// Sets the clock of a pass, and notes that it begins.
    async fn begin_pass<'a>(
        &self,
        plan: &'a Plan,
        run: RunId,
        schedule: &Schedule,
        placement: &Placement,
    ) -> Result<Pass<'a>, ProcedureError> {
        let clock = Clock::system();
        let lead_s = LEAD_S + 2.0 * schedule.chip_s();
        let began = whole_ms(later(clock.now(), lead_s));
        let id = self
            .store
            .begin_pass(&NewPass {
                run,
                schedule: schedule.sha256.clone(),
                face: placement.face.clone(),
                polarisation: placement.polarisation.clone(),
                repeat: placement.repeat,
                began,
            })
            .await?;
        Ok(Pass {
            run,
            id,
            plan,
            clock,
            began,
            place: placement.to_string(),
        })
    }

    /// Has something placed before its time is over.
    async fn in_time(
        &self,
        pass: &Pass<'_>,
        placing: impl Future<Output = Result<(), ProcedureError>>,
        by_ms: u64,
    ) -> Result<(), ProcedureError> {
        let by_s = by_ms as f64 / 1e3;
        tokio::select! {
            placed = placing => placed,
            () = pass.clock.until_s(pass.began, by_s) => Err(ProcedureError::Late {
                place: pass.place.clone(),
                reason: "the item was not closed when the timetable went on; begin again, and give `hands` in [schedule] more time".to_owned(),
            }),
        }
    }

    async fn send_marker(
        &self,
        pass: &Pass<'_>,
        schedule: &Schedule,
        pattern: &Pattern,
        what: SendingWhat,
        begins_s: f64,
    ) -> Result<(), ProcedureError> {
        let chip_s = schedule.chip_s();
        for (from, until) in pattern.stretches() {
            let times_s = (
                begins_s + from as f64 * chip_s,
                begins_s + until as f64 * chip_s,
            );
            self.send(pass, what, schedule.markers.frequency_hz, times_s)
                .await?;
        }
        Ok(())
    }

    /// One emission at its time, kept with when it was surely on and surely off.
    async fn send(
        &self,
        pass: &Pass<'_>,
        what: SendingWhat,
        frequency_hz: f64,
        (on_s, off_s): (f64, f64),
    ) -> Result<(), ProcedureError> {
        let (clock, began) = (pass.clock, pass.began);
        tokio::select! {
            () = clock.until_s(began, on_s) => {}
            () = self.stop.cancelled() => return Err(ProcedureError::Stopped),
        }
        let frequency = Frequency::from_hz(frequency_hz);
        let place = match what {
            SendingWhat::Start | SendingWhat::End => {
                format!("{}, marker at {frequency}", pass.place)
            }
            SendingWhat::Signal => format!("{}, {frequency}", pass.place),
            SendingWhat::Step => format!("{}, {frequency}, a step lower", pass.place),
        };
        let in_time = |late_s: f64| match late_s > SWITCH_MS as f64 / 1e3 {
            true => Err(ProcedureError::Late {
                place: place.clone(),
                reason: format!(
                    "the output was on {late_s:.2} s after its time; begin this pass again, with nothing else to do for this computer and a direct link to the source"
                ),
            }),
            false => Ok(()),
        };
        let before_s = clock.since_s(began);
        in_time(before_s - on_s)?;
        let kind = match what {
            SendingWhat::Step => ReadingKind::Step,
            _ => ReadingKind::Signal,
        };
        let request = self.emission(pass.plan, pass.run, &place, (kind, frequency, frequency));
        let emitted = self
            .station
            .guard()
            .emit(request, &self.stop, async {
                let seen_on_s = clock.since_s(began);
                let guard = self.station.guard();
                guard.alive(clock.until_s(began, off_s)).await;
                Ok((seen_on_s, clock.since_s(began)))
            })
            .await
            .map_err(ProcedureError::at(&place))?;
        let after_s = clock.since_s(began);
        let (seen_on_s, asked_off_s) = emitted.measured;
        let sending = SendingRecord {
            what,
            frequency_hz,
            level_dbm: emitted.sent.level.dbm(),
            on: On {
                before_s,
                on_s: seen_on_s,
                off_s: asked_off_s,
                after_s,
            },
            carrier: Some(emitted.carrier.json()),
            forward_dbm: emitted.forward.map(Level::dbm),
        };
        self.store
            .append_sending(pass.id, &sending, &emitted.end)
            .await?;
        in_time(seen_on_s - on_s)?;
        if let Some(reason) = emitted.carrier.lost() {
            return Err(ProcedureError::CarrierLost {
                place,
                reason: reason.to_owned(),
            });
        }
        if matches!(what, SendingWhat::Signal | SendingWhat::Step) {
            self.tell(Event::Emitted { frequency_hz }).await;
        }
        Ok(())
    }
}
