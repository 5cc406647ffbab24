//! Merging, with passes and recordings made by hand: what is taken, and what is refused and how.

use std::time::Duration;

use jiff::Timestamp;

use super::merge::merge;
use super::{Clock, Schedule, later, whole_ms};
use crate::analysis::schedule::marker::{CHIPS, Sample};
use crate::analysis::schedule::{On, Role};
use crate::config::Plan;
use crate::store::{
    EmissionEnd, Levels, NewEmission, NewHold, NewPass, NewRecording, NewRun, ReadingKind, RunId,
    RunKind, RunState, SendingRecord, SendingWhat, SnapshotKind, Store, Trace,
};

const PLAN: &str = r#"
name = "by hand"
arrangement = "scheduled"
[frequencies]
list = ["100 MHz", "300 MHz"]
[settings]
source_level = "-10 dBm"
span = "20 kHz"
points = 21
resolution_bandwidth = "1 kHz"
sweeps = 1
[schedule]
clock_uncertainty = "20 s"
clock_drift = 300e-6
"#;

/// A recorder's clock.
#[derive(Clone, Copy)]
struct Wrong {
    ahead_s: f64,
    drift: f64,
}

impl Wrong {
    /// A time of the source's by this clock.
    fn shows(&self, at_s: f64) -> f64 {
        at_s + self.ahead_s + self.drift * at_s
    }
}

/// The source's store with a reference that was sent, and the recorder's.
struct Set {
    _folder: tempfile::TempDir,
    outside: Store,
    inside: Store,
    schedule: Schedule,
    run: RunId,
    began: Timestamp,
    sent: Vec<SendingRecord>,
}

impl Set {
    async fn new() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let open = async |name: &str| {
            Store::open(&folder.path().join(name))
                .await
                .expect("a store")
        };
        let (outside, inside) = (open("out.db").await, open("in.db").await);
        let plan = Plan::read("plan.toml", PLAN).expect("a plan");
        let schedule = Schedule::of(&plan).expect("a schedule");
        let run = begin(&outside).await;
        let mut set = Self {
            _folder: folder,
            outside,
            inside,
            schedule,
            run,
            began: Timestamp::from_second(1_800_000_000).expect("a time"),
            sent: Vec::new(),
        };
        set.send().await;
        set
    }

    fn sendings(&self) -> Vec<SendingRecord> {
        let (timetable, pattern) = self.schedule.part(RunKind::Reference);
        let chip_s = self.schedule.chip_s();
        let ends_s = timetable.ends_ms as f64 / 1e3;
        let sending = |what, frequency_hz, on_s: f64, off_s: f64| SendingRecord {
            what,
            frequency_hz,
            level_dbm: -10.0,
            on: On {
                before_s: on_s,
                on_s: on_s + 0.02,
                off_s,
                after_s: off_s + 0.01,
            },
            carrier: Some(serde_json::json!({ "verified": true, "level_dbm": -10.1 })),
            forward_dbm: Some(29.5),
        };
        let marker = |what, pattern: &crate::analysis::schedule::marker::Pattern, from_s: f64| {
            let planned = pattern.planned(chip_s).into_iter();
            let hz = self.schedule.markers.frequency_hz;
            let send = move |on: On| sending(what, hz, from_s + on.on_s, from_s + on.off_s);
            planned.map(send).collect::<Vec<_>>()
        };
        let mut all = marker(SendingWhat::Start, pattern, 0.0);
        all.extend(timetable.sendings.iter().map(|one| {
            let what = match one.role {
                Role::Step => SendingWhat::Step,
                _ => SendingWhat::Signal,
            };
            let (on_s, off_s) = (one.on_ms as f64 / 1e3, one.off_ms as f64 / 1e3);
            sending(what, one.frequency_hz, on_s, off_s)
        }));
        all.extend(marker(SendingWhat::End, &self.schedule.markers.end, ends_s));
        all
    }

    async fn send(&mut self) {
        let pass = NewPass {
            run: self.run,
            schedule: self.schedule.sha256.clone(),
            face: "open".to_owned(),
            polarisation: "vertical".to_owned(),
            repeat: 1,
            began: self.began,
        };
        let id = self.outside.begin_pass(&pass).await.expect("begun");
        self.sent = self.sendings();
        for sending in &self.sent {
            let emission = NewEmission {
                run: Some(self.run),
                station: "bay one".to_owned(),
                frequency_hz: sending.frequency_hz,
                level_dbm: -10.0,
                radiated_dbm: None,
                why: "test".to_owned(),
                began: self.began,
            };
            let end = EmissionEnd {
                id: self
                    .outside
                    .begin_emission(&emission)
                    .await
                    .expect("logged"),
                ended: self.began,
                how: "measured".to_owned(),
            };
            let kept = self.outside.append_sending(id, sending, &end).await;
            kept.expect("kept");
        }
        self.outside.end_pass(id, self.began).await.expect("ended");
        let state = self.outside.set_state(self.run, RunState::Stopped, None);
        state.await.expect("stopped");
    }

    /// Levels at the marker's frequency around a marker, from the beginning of the recording.
    fn watched(&self, from_s: f64, clock: Wrong) -> Vec<Sample> {
        let lasts_s = self.schedule.chip_s() * CHIPS as f64 + 4.0;
        let hz = self.schedule.markers.frequency_hz;
        (0..(lasts_s / 0.05) as usize)
            .map(|n| {
                let at_s = from_s - 2.0 + n as f64 * 0.05;
                let is_on = |one: &SendingRecord| {
                    let on = &one.on;
                    one.frequency_hz == hz && (on.on_s..on.off_s).contains(&(at_s + 0.02))
                };
                let level_dbm = match self.sent.iter().any(is_on) {
                    true => -40.0,
                    false => -90.0,
                };
                Sample {
                    from_s: clock.shows(at_s) - clock.ahead_s,
                    until_s: clock.shows(at_s + 0.04) - clock.ahead_s,
                    level_dbm: level_dbm + (n * 7 % 5) as f64 * 0.3,
                }
            })
            .collect()
    }

    /// What a recorder with that clock keeps of the pass; `late_s` after each time of its timetable.
    async fn record(&self, schedule: &str, clock: Wrong, late_s: f64, whole: bool) {
        let (timetable, _) = self.schedule.part(RunKind::Reference);
        let new = NewRecording {
            schedule: schedule.to_owned(),
            kind: RunKind::Reference,
            receiver: "a receiver".to_owned(),
            began: later(self.began, clock.ahead_s),
            start_marker: self.watched(0.0, clock),
        };
        let recording = self.inside.begin_recording(&new).await.expect("begun");
        for (index, slot) in timetable.holds.iter().enumerate() {
            // By its own clock.
            let from_s = slot.at_ms as f64 / 1e3 + late_s;
            let mut levels = vec![-100.0 - index as f32; 21];
            levels[10] = -50.0 - index as f32;
            let hold = NewHold {
                frequency_hz: slot.frequency_hz,
                from_s,
                until_s: from_s + slot.lasts_ms as f64 / 1e3,
                overload: false,
                trace: Trace {
                    start_hz: slot.frequency_hz - 10e3,
                    stop_hz: slot.frequency_hz + 10e3,
                    unit: "dBm".to_owned(),
                    levels: Levels::F32(levels),
                },
            };
            self.inside
                .append_hold(recording, &hold)
                .await
                .expect("kept");
        }
        if whole {
            let ends = self.watched(timetable.ends_ms as f64 / 1e3, clock);
            let ended = self.inside.end_recording(recording, &ends).await;
            ended.expect("ended");
        }
    }

    async fn refused(&self) -> String {
        let refused = merge(&self.outside, &self.inside, self.run, false).await;
        let readings = self.outside.reading_keys(self.run).await.expect("keys");
        assert!(readings.is_empty(), "{readings:?}");
        refused.expect_err("refused").to_string()
    }
}

async fn begin(store: &Store) -> RunId {
    let keep = async |kind, name: &str, text: &str| {
        store.put_snapshot(kind, name, text).await.expect("kept")
    };
    let mut driver_shas = Vec::new();
    for (name, text) in [
        (
            "source-scpi",
            include_str!("../../../drivers/source-scpi.toml"),
        ),
        (
            "analyzer-scpi",
            include_str!("../../../drivers/analyzer-scpi.toml"),
        ),
    ] {
        driver_shas.push(keep(SnapshotKind::Driver, name, text).await);
    }
    let station = include_str!("../../../config/station.toml");
    let run = NewRun {
        kind: RunKind::Reference,
        item: None,
        model: None,
        lot: None,
        plan_sha: keep(SnapshotKind::Plan, "plan.toml", PLAN).await,
        station_sha: keep(SnapshotKind::Station, "station.toml", station).await,
        driver_shas,
        reference_run: None,
        signature: "s".to_owned(),
        operator: None,
        started: Timestamp::UNIX_EPOCH,
        note: None,
        program_version: "test".to_owned(),
        instruments: None,
    };
    store.begin_run(&run).await.expect("begun")
}

const CLOCK: Wrong = Wrong {
    ahead_s: 7.3,
    drift: 200e-6,
};

#[tokio::test]
async fn a_recording_that_fits_becomes_readings_once() {
    let set = Set::new().await;
    set.record(&set.schedule.sha256, CLOCK, 0.0, true).await;
    let merged = merge(&set.outside, &set.inside, set.run, false)
        .await
        .expect("merged");
    assert_eq!((merged.missing, merged.already), (0, false));
    let pass = &merged.passes[0];
    // At the middle of the first marker, 8 s on, the drift has added 1.6 ms.
    assert!(
        (pass.ahead_s - 7.3016).abs() <= pass.ahead_u_s && pass.ahead_u_s < 0.06,
        "{pass:?}"
    );
    let (drift, u) = (
        pass.drift_ppm.expect("drift"),
        pass.drift_u_ppm.expect("its uncertainty"),
    );
    assert!((drift - 200.0).abs() <= u, "{pass:?}");
    assert!(pass.misaligned_s < pass.guard_s, "{pass:?}");
    let readings = set.outside.readings(set.run).await.expect("readings");
    let kinds: Vec<_> = readings.iter().map(|r| (r.key.kind, r.peak_dbm)).collect();
    use ReadingKind::{Floor, Signal, Step};
    let expected: Vec<_> = [Floor, Signal, Step, Floor, Signal, Step]
        .into_iter()
        .enumerate()
        .map(|(index, kind)| (kind, -50.0 - index as f64))
        .collect();
    assert_eq!(kinds, expected);
    // What the source and the power monitor said at the end of each stay is kept with its readings.
    for reading in &readings {
        let sent = reading.key.kind != Floor;
        assert_eq!(reading.settings["carrier"]["verified"] == true, sent);
        assert_eq!(reading.settings["forward_dbm"] == 29.5, sent);
    }
    // The raw trace is the recorder's, bit for bit.
    let recording = pass.recording;
    for (hold, reading) in set
        .inside
        .holds(recording)
        .await
        .expect("holds")
        .iter()
        .zip(&readings)
    {
        let inside = set
            .inside
            .hold_trace(recording, hold.seq)
            .await
            .expect("a trace");
        let kept = set
            .outside
            .reading_with_trace(set.run, &reading.key)
            .await
            .expect("read");
        assert_eq!(kept.expect("there").1.trace, inside);
    }
    assert_eq!(
        set.outside.run(set.run).await.expect("run").state,
        RunState::Complete
    );
    let again = merge(&set.outside, &set.inside, set.run, false)
        .await
        .expect("again");
    assert!(again.already && again.passes.is_empty());
    assert_eq!(
        set.outside.readings(set.run).await.expect("readings"),
        readings
    );
}

#[tokio::test]
async fn what_does_not_fit_is_refused_with_what_to_do() {
    let nothing = Set::new().await;
    let said = nothing.refused().await;
    assert!(
        said.contains("marker was not found") && said.contains("hands"),
        "{said}"
    );

    let other = Set::new().await;
    other.record(&"0".repeat(64), CLOCK, 0.0, true).await;
    let said = other.refused().await;
    assert!(
        said.contains("recorded by another schedule (000000000000…"),
        "{said}"
    );

    let drifting = Set::new().await;
    let clock = Wrong {
        drift: 9e-3,
        ..CLOCK
    };
    drifting
        .record(&drifting.schedule.sha256, clock, 0.0, true)
        .await;
    let said = drifting.refused().await;
    assert!(
        said.contains("clocks drifted by") && said.contains("clock_drift"),
        "{said}"
    );

    let far = Set::new().await;
    let clock = Wrong {
        ahead_s: 25.0,
        ..CLOCK
    };
    far.record(&far.schedule.sha256, clock, 0.0, true).await;
    let said = far.refused().await;
    assert!(said.contains("clock_uncertainty"), "{said}");

    let late = Set::new().await;
    late.record(&late.schedule.sha256, CLOCK, 2.0, true).await;
    let said = late.refused().await;
    assert!(
        said.contains("no hold that certainly is the") && said.contains("--partial"),
        "{said}"
    );

    let twice = Set::new().await;
    for ahead_s in [7.3, 9.0] {
        let clock = Wrong { ahead_s, ..CLOCK };
        twice.record(&twice.schedule.sha256, clock, 0.0, true).await;
    }
    let said = twice.refused().await;
    assert!(said.contains("several recordings fit"), "{said}");
}

#[tokio::test]
async fn a_recording_that_was_cut_off_is_used_only_when_asked_for() {
    let set = Set::new().await;
    set.record(&set.schedule.sha256, CLOCK, 0.0, false).await;
    let said = set.refused().await;
    assert!(
        said.contains("second marker is missing") && said.contains("--partial"),
        "{said}"
    );
    let merged = merge(&set.outside, &set.inside, set.run, true)
        .await
        .expect("in part");
    // All its holds were made before it was cut off, and the stated drift covers them.
    assert_eq!(merged.missing, 0);
    assert_eq!(merged.passes[0].drift_ppm, None);
}

#[test]
fn a_wrong_clock_is_wrong_by_as_much_as_it_says() {
    let right = Clock::system();
    let wrong = Clock {
        set: later(right.set, 7.3),
        drift: 200e-6,
        ..right
    };
    let ahead_s = |after_s| {
        let instant = right.since + Duration::from_secs(after_s);
        let apart = wrong.at(instant).duration_since(right.at(instant));
        apart.as_secs_f64()
    };
    assert!((ahead_s(0) - 7.3).abs() < 1e-6);
    assert!((ahead_s(1000) - 7.5).abs() < 1e-6);
    assert_eq!(
        whole_ms(later(Timestamp::UNIX_EPOCH, 1.2345)).as_microsecond(),
        1_234_000
    );
}
