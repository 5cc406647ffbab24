//! What can be made to go wrong on purpose, through the control port: faults of the talk, which a client sees at
//! once, and faults of the bench itself, which make numbers wrong and say nothing.

use serde::{Deserialize, Serialize};

/// A one-off misbehaviour of one way into the bench.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fault {
    /// Close the connection instead of answering.
    Drop,
    /// Answer with bytes that mean nothing.
    Garbage,
    /// Stop in the middle of the next answer that is a binary block, then say nothing more.
    HalfBlock,
    /// The next trace has one point too few.
    WrongLength,
}

/// A fault of the bench. The table in `control` says what each does, and who could know of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "fault", rename_all = "snake_case", deny_unknown_fields)]
pub(super) enum BenchFault {
    SourceTrips,
    SourceReversePower,
    SourceDead,
    SourceLevel {
        db: f64,
    },
    SourceUnlevelled {
        db: f64,
    },
    SourceSags {
        db: f64,
    },
    SourceDrifts {
        db_per_s: f64,
    },
    SourceTuned {
        hz: f64,
    },
    SourceSlips {
        hz: f64,
    },
    SourceResets,
    AmplifierTrips,
    AmplifierSags {
        db: f64,
    },
    TransmitCable {
        db: f64,
    },
    AntennaCable {
        db: f64,
    },
    ReceiveCable {
        db: f64,
    },
    AntennaTurned {
        db: f64,
    },
    ReceiverTuned {
        hz: f64,
    },
    ReceiverSpan {
        hz: f64,
    },
    ReceiverPreamplifier,
    ReceiverResets,
    ReceiverStops,
    ReceiverHoldRestarts,
    ReceiverHoldOff,
    ReceiverSwapped {
        serial: String,
        db: f64,
    },
    ReceiverDeaf {
        db: f64,
    },
    ReceiverClock {
        ppm: f64,
    },
    AttenuatorStuck {
        db: f64,
    },
    ResolutionAdjusted {
        hz: f64,
    },
    VideoAdjusted {
        hz: f64,
    },
    OtherDetector {
        detector: String,
    },
    ReceiverSlow {
        factor: f64,
    },
    TraceUnit {
        unit: String,
        #[serde(default)]
        hidden: bool,
    },
    Ambient {
        frequency_hz: f64,
        level_dbm: f64,
    },
    OtherItem {
        item: Option<String>,
    },
    LidOpen,
}

impl BenchFault {
    /// Whether it happens once, and leaves the instrument as anyone could have set it; all others last.
    pub(super) fn is_an_event(&self) -> bool {
        matches!(
            self,
            Self::SourceTrips
                | Self::SourceLevel { .. }
                | Self::SourceTuned { .. }
                | Self::SourceResets
                | Self::ReceiverTuned { .. }
                | Self::ReceiverSpan { .. }
                | Self::ReceiverPreamplifier
                | Self::ReceiverResets
                | Self::ReceiverStops
                | Self::ReceiverHoldRestarts
                | Self::ReceiverHoldOff
        )
    }
}

/// What a fault waits for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum When {
    /// Nothing.
    #[default]
    Now,
    /// The output is switched on.
    On,
    /// The first answer of the source after that was given: nothing that is asked together with the command to
    /// switch on can see it.
    Acknowledged,
    /// The first sweep after that is started.
    Sweep,
    /// Something is placed.
    Placed,
}

/// What ends a fault that lasts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum Until {
    /// The output goes off.
    Off,
    /// Something else is placed.
    Placed,
}

/// A fault with its trigger.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Planted {
    #[serde(flatten)]
    pub fault: BenchFault,
    #[serde(default)]
    pub when: When,
    /// At the which, from 1.
    #[serde(default = "one")]
    pub nth: u32,
    /// At so many of them, one after the other.
    #[serde(default = "one")]
    pub times: u32,
    /// Simulated milliseconds after that.
    #[serde(default)]
    pub ms: f64,
    /// Simulated milliseconds that it lasts.
    pub for_ms: Option<f64>,
    pub until: Option<Until>,
}

fn one() -> u32 {
    1
}

/// How far a planted fault has come.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Stage {
    Waiting,
    /// The output went on, and an answer or a sweep is still awaited.
    Armed,
    /// It begins then.
    Due(f64),
    /// It began then.
    Acting(f64),
}

/// What has happened, as triggers see it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Happening {
    On,
    Off,
    Answered,
    SweepStarted,
    Placed,
}

/// All faults of the bench that were planted and are not over.
#[derive(Debug, Default)]
pub(super) struct Plot {
    planted: Vec<(Planted, Stage)>,
    /// How many have begun.
    pub struck: u64,
}

impl Plot {
    pub(super) fn plant(&mut self, planted: Planted, now_s: f64) {
        let stage = match planted.when {
            When::Now => Stage::Due(now_s + planted.ms / 1e3),
            _ => Stage::Waiting,
        };
        self.planted.push((planted, stage));
    }

    pub(super) fn clear(&mut self) {
        self.planted.clear();
    }

    pub(super) fn all(&self) -> impl Iterator<Item = &Planted> {
        self.planted.iter().map(|(planted, _)| planted)
    }

    /// The faults that act, each with the time since when, s.
    pub(super) fn acting(&self) -> impl Iterator<Item = (&BenchFault, f64)> {
        self.planted
            .iter()
            .filter_map(|(planted, stage)| match stage {
                Stage::Acting(since_s) => Some((&planted.fault, *since_s)),
                _ => None,
            })
    }

    /// Sets the triggers off that wait for this, and ends what lasts until then.
    pub(super) fn happens(&mut self, what: Happening, now_s: f64) {
        for (planted, stage) in &mut self.planted {
            let due = Stage::Due(now_s + planted.ms / 1e3);
            let awaited = match (planted.when, what) {
                (When::On | When::Acknowledged | When::Sweep, Happening::On)
                | (When::Placed, Happening::Placed) => *stage == Stage::Waiting,
                _ => false,
            };
            if awaited {
                planted.nth = planted.nth.saturating_sub(1);
                if planted.nth == 0 {
                    *stage = match planted.when {
                        When::On | When::Placed => due,
                        _ => Stage::Armed,
                    };
                }
                continue;
            }
            let released = matches!(
                (planted.when, what),
                (When::Acknowledged, Happening::Answered) | (When::Sweep, Happening::SweepStarted)
            );
            if *stage == Stage::Armed && released {
                *stage = due;
            }
            let over = matches!(
                (planted.until, what),
                (Some(Until::Off), Happening::Off) | (Some(Until::Placed), Happening::Placed)
            );
            if over && matches!(stage, Stage::Acting(_) | Stage::Due(_)) {
                rearm(planted, stage);
            }
        }
        self.planted.retain(|(planted, _)| planted.times > 0);
    }

    /// The next moment up to `now_s` at which something begins or ends.
    pub(super) fn next(&self, now_s: f64) -> Option<f64> {
        let moments = self
            .planted
            .iter()
            .filter_map(|(planted, stage)| match stage {
                Stage::Due(at_s) => Some(*at_s),
                Stage::Acting(since_s) => planted.for_ms.map(|ms| since_s + ms / 1e3),
                _ => None,
            });
        moments.filter(|at_s| *at_s <= now_s).min_by(f64::total_cmp)
    }

    /// What begins at that moment; what ends then is ended.
    pub(super) fn strike(&mut self, at_s: f64) -> Vec<BenchFault> {
        let mut begun = Vec::new();
        for (planted, stage) in &mut self.planted {
            match *stage {
                Stage::Due(due_s) if due_s <= at_s => {
                    self.struck += 1;
                    begun.push(planted.fault.clone());
                    match planted.fault.is_an_event() {
                        true => rearm(planted, stage),
                        false => *stage = Stage::Acting(due_s),
                    }
                }
                Stage::Acting(since_s)
                    if planted.for_ms.is_some_and(|ms| since_s + ms / 1e3 <= at_s) =>
                {
                    rearm(planted, stage);
                }
                _ => {}
            }
        }
        self.planted.retain(|(planted, _)| planted.times > 0);
        begun
    }
}

/// For the next time, if there is to be one.
fn rearm(planted: &mut Planted, stage: &mut Stage) {
    planted.times = planted.times.saturating_sub(1);
    planted.nth = 1;
    *stage = Stage::Waiting;
}

#[cfg(test)]
mod tests {
    use super::*;

    fn planted(text: &str) -> Planted {
        serde_json::from_str(text).expect("a fault")
    }

    #[test]
    fn a_fault_begins_after_its_trigger_and_ends_with_its_time() {
        let mut plot = Plot::default();
        plot.plant(
            planted(
                r#"{"fault":"amplifier_sags","db":3,"when":"on","nth":2,"ms":31.25,"for_ms":62.5}"#,
            ),
            0.0,
        );
        plot.happens(Happening::On, 1.0);
        assert_eq!(plot.next(9.0), None);
        plot.happens(Happening::On, 2.0);
        assert_eq!(plot.next(2.03), None);
        assert_eq!(plot.next(9.0), Some(2.03125));
        assert_eq!(plot.strike(2.03125).len(), 1);
        assert_eq!(plot.acting().count(), 1);
        assert_eq!(plot.next(9.0), Some(2.09375));
        assert!(plot.strike(2.09375).is_empty());
        assert_eq!((plot.acting().count(), plot.all().count()), (0, 0));
    }

    #[test]
    fn an_event_is_made_again_as_often_as_asked() {
        let mut plot = Plot::default();
        plot.plant(
            planted(r#"{"fault":"source_trips","when":"acknowledged","times":2}"#),
            0.0,
        );
        for turn in 0..2 {
            plot.happens(Happening::Answered, f64::from(turn));
            plot.happens(Happening::On, f64::from(turn));
            assert_eq!(plot.next(9.0), None, "it waits for the answer");
            plot.happens(Happening::Answered, f64::from(turn));
            assert_eq!(plot.strike(f64::from(turn)), [BenchFault::SourceTrips]);
        }
        assert_eq!(plot.all().count(), 0);
    }
}
