//! The timetable as a file: written by one side, followed by both.

use serde::{Deserialize, Serialize};

use super::super::{ProcedureError, receiver_settings};
use crate::analysis::schedule::marker::{CHIPS, Pattern};
use crate::analysis::schedule::{Asked, Role, Rules, SWITCH_MS, Timetable};
use crate::config::{self, Plan, Scheduling};
use crate::instrument::ReceiverSettings;
use crate::quantity::Frequency;
use crate::store::{RunKind, sha256_hex};

/// Which form of the file this program writes and reads.
const FORM: u32 = 1;
/// Sweep time over span / bandwidth²: half as much again as is usual (common practice, no source).
const SWEEP_FACTOR: f64 = 4.5;
/// Allowed for each sweep beside that, ms.
const SWEEP_MS: f64 = 20.0;
/// Allowed for setting the receiver and reading its trace, ms.
const HOLD_MS: f64 = 250.0;
/// The same for the small trace at the marker's frequency, ms.
const WATCH_MS: f64 = 60.0;
/// A narrower filter would be too slow to follow a marker.
const MARKER_BANDWIDTH_HZ_MIN: f64 = 1e3;
/// Width of that trace in bandwidths: source and receiver may disagree about the frequency.
const MARKER_SPAN_BANDWIDTHS: f64 = 10.0;
/// Levels that a chip must have room for.
const LEVELS_PER_CHIP: f64 = 3.0;

/// The markers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Markers {
    /// Where, Hz.
    pub frequency_hz: f64,
    /// How long one chip lasts, ms.
    pub chip_ms: u64,
    /// Announces a reference.
    pub reference: Pattern,
    /// Announces an item.
    pub item: Pattern,
    /// Closes either.
    pub end: Pattern,
}

/// What recorder and source both follow.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Schedule {
    /// Form of this file.
    muffle_schedule: u32,
    /// Name of the plan.
    pub plan_name: String,
    /// The plan, word for word: it has the receiver's settings.
    plan: String,
    /// The markers.
    pub markers: Markers,
    /// The timetable of a reference.
    pub reference: Timetable,
    /// The timetable of an item.
    pub item: Timetable,
    /// SHA-256 of this file with nothing here: what both sides are known to share.
    pub sha256: String,
}

impl Schedule {
    /// The schedule that follows from a plan; the same plan always gives the same.
    ///
    /// # Errors
    /// A plan of another arrangement, or one whose timetable cannot be made.
    pub fn of(plan: &Plan) -> Result<Self, ProcedureError> {
        let refuse = |reason: String| ProcedureError::Schedule {
            what: format!("plan `{}`", plan.name),
            reason,
        };
        let Some(by) = &plan.scheduling else {
            return Err(refuse(
                "it is not for the scheduled arrangement; give it `arrangement = \"scheduled\"`"
                    .to_owned(),
            ));
        };
        let watch_ms = watch_ms(&marker_settings(plan, by.marker));
        let chip_ms = (by.chip.s() * 1e3).round() as u64;
        if (chip_ms as f64) < LEVELS_PER_CHIP * watch_ms {
            return Err(refuse(format!(
                "a level at the marker's frequency takes about {watch_ms:.0} ms, so a chip of {} is too short for it; make `chip` in [schedule] at least {:.0} ms",
                by.chip,
                LEVELS_PER_CHIP * watch_ms
            )));
        }
        let table = |roles: &[Role], hands_ms: f64| {
            let rules = Rules {
                // A chip later it is clear that it was one.
                marker_ms: chip_ms * (CHIPS as u64 + 1),
                align_ms: SWITCH_MS + watch_ms.ceil() as u64,
                drift: by.clock_drift,
                hands_ms: hands_ms as u64,
            };
            Timetable::new(&asked(plan, by), roles, &rules)
                .map_err(|error| refuse(error.to_string()))
        };
        let seed = sha256_hex(plan.text.as_bytes());
        let seed = u64::from_str_radix(&seed[..16], 16).unwrap_or_default();
        let mut patterns = Pattern::draw(seed, 3).into_iter();
        let (Some(reference), Some(item), Some(end)) =
            (patterns.next(), patterns.next(), patterns.next())
        else {
            return Err(refuse("its markers cannot be drawn".to_owned()));
        };
        let mut made = Self {
            muffle_schedule: FORM,
            plan_name: plan.name.clone(),
            plan: plan.text.clone(),
            markers: Markers {
                frequency_hz: by.marker.hz(),
                chip_ms,
                reference,
                item,
                end,
            },
            reference: table(&[Role::Floor, Role::Signal, Role::Step], 0.0)?,
            item: table(&[Role::Floor, Role::Signal], by.hands.s() * 1e3)?,
            sha256: String::new(),
        };
        made.sha256 = sha256_hex(made.text().as_bytes());
        Ok(made)
    }

    /// Reads a schedule file; `file` is only for the errors.
    ///
    /// # Errors
    /// Not a schedule, of another form, or altered.
    pub fn read(file: &str, text: &str) -> Result<Self, ProcedureError> {
        let refuse = |reason: String| ProcedureError::Schedule {
            what: file.to_owned(),
            reason,
        };
        let read: Self = serde_json::from_str(text).map_err(|error| {
            refuse(format!(
                "it is not a schedule ({error}); write one with `muffle record --plan PLAN --write FILE`"
            ))
        })?;
        let mut bare = read.clone();
        bare.sha256 = String::new();
        if read.muffle_schedule != FORM || sha256_hex(bare.text().as_bytes()) != read.sha256 {
            return Err(refuse(
                "it was altered since it was written, or was written by another version of this program; write it anew from the plan"
                    .to_owned(),
            ));
        }
        read.plan()?;
        Ok(read)
    }

    /// The file's text.
    pub fn text(&self) -> String {
        // Nothing in it that JSON could not say.
        serde_json::to_string_pretty(self).unwrap_or_default()
    }

    /// The plan in it.
    pub fn plan(&self) -> Result<Plan, ProcedureError> {
        let read = Plan::read(&self.plan_name, &self.plan);
        Ok(read.map_err(crate::config::ConfigError::from)?)
    }

    /// The timetable of a reference or of an item, and the marker that announces it.
    pub fn part(&self, kind: RunKind) -> (&Timetable, &Pattern) {
        match kind {
            RunKind::Reference => (&self.reference, &self.markers.reference),
            RunKind::Item => (&self.item, &self.markers.item),
        }
    }

    /// Length of a chip, s.
    pub fn chip_s(&self) -> f64 {
        self.markers.chip_ms as f64 / 1e3
    }

    /// Length of the second marker's end from the beginning of the first, s.
    pub fn length_s(&self, kind: RunKind) -> f64 {
        self.part(kind).0.ends_ms as f64 / 1e3 + self.chip_s() * CHIPS as f64
    }

    /// How the receiver is set for watching the marker's frequency.
    pub fn marker_settings(&self, plan: &Plan) -> ReceiverSettings {
        marker_settings(plan, Frequency::from_hz(self.markers.frequency_hz))
    }

    /// Whether the station may do what the timetable asks.
    ///
    /// # Errors
    /// An emission longer than the station allows.
    pub fn check(&self, station: &config::Station) -> Result<(), ProcedureError> {
        let stretches = [
            &self.markers.reference,
            &self.markers.item,
            &self.markers.end,
        ]
        .map(|pattern| pattern.stretches());
        let chips = stretches
            .iter()
            .flatten()
            .map(|(from, until)| until - from)
            .max()
            .unwrap_or(0);
        let longest_ms = (chips as u64 * self.markers.chip_ms + SWITCH_MS)
            .max(self.reference.emission_ms_max())
            .max(self.item.emission_ms_max());
        let longest_s = longest_ms as f64 / 1e3;
        match longest_s > station.safety.watch_acts().as_secs_f64() {
            true => Err(ProcedureError::Schedule {
                what: format!("plan `{}`", self.plan_name),
                reason: format!(
                    "an emission of its timetable lasts {longest_s:.1} s, longer than the station allows ({}); state less for `clock_drift`, take fewer sweeps, shorten `chip`, or raise `emission_max`",
                    station.safety.emission_max
                ),
            }),
            false => Ok(()),
        }
    }
}

fn asked(plan: &Plan, by: &Scheduling) -> Vec<Asked> {
    let ask = |frequency: &Frequency| {
        // A preamplifier takes no time.
        let settings = receiver_settings(plan, *frequency, true);
        let hold_ms = match by.hold_time {
            Some(time) => time.s() * 1e3,
            None => HOLD_MS + f64::from(settings.sweeps) * (SWEEP_MS + sweep_ms(&settings)),
        };
        Asked {
            frequency_hz: frequency.hz(),
            hold_ms: hold_ms.ceil() as u64,
            settle_ms: (plan.settings_at(*frequency).settle.s() * 1e3).ceil() as u64,
        }
    };
    plan.frequencies.iter().map(ask).collect()
}

fn sweep_ms(settings: &ReceiverSettings) -> f64 {
    let rbw_hz = settings.resolution_bandwidth.hz();
    let slower_hz = settings
        .video_bandwidth
        .map_or(rbw_hz, |video| video.hz().min(rbw_hz));
    1e3 * SWEEP_FACTOR * settings.span.hz() / (rbw_hz * slower_hz)
}

fn watch_ms(settings: &ReceiverSettings) -> f64 {
    WATCH_MS + sweep_ms(settings)
}

fn marker_settings(plan: &Plan, marker: Frequency) -> ReceiverSettings {
    // Whoever waits for a marker cannot know which it will be; it finds the item closed where nobody has time to
    // close it later.
    let closed = plan.scheduling.is_some_and(|by| by.hands.s() <= 0.0);
    let settings = receiver_settings(plan, marker, closed);
    let rbw_hz = settings
        .resolution_bandwidth
        .hz()
        .max(MARKER_BANDWIDTH_HZ_MIN);
    ReceiverSettings {
        span: Frequency::from_hz(MARKER_SPAN_BANDWIDTHS * rbw_hz),
        resolution_bandwidth: Frequency::from_hz(rbw_hz),
        // A receiver that was told once is told again: a slower filter would stay set.
        video_bandwidth: settings.video_bandwidth.map(|_| Frequency::from_hz(rbw_hz)),
        sweeps: 1,
        ..settings
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan(change: impl Fn(String) -> String) -> Plan {
        let text = "arrangement = \"scheduled\"\n".to_owned()
            + &include_str!("../../../config/plan.toml").replace("bracket = \"check\"\n", "");
        Plan::read("plan.toml", &change(text)).expect("a plan")
    }

    #[test]
    fn a_schedule_is_read_as_it_was_written_and_no_other() {
        let made = Schedule::of(&plan(|text| text)).expect("made");
        let text = made.text();
        assert_eq!(Schedule::read("s.json", &text).expect("read"), made);
        assert_eq!(
            Schedule::of(&made.plan().expect("a plan"))
                .expect("made")
                .sha256,
            made.sha256
        );
        let other = Schedule::of(&plan(|text| text.replace("sweeps = 10", "sweeps = 9")));
        assert_ne!(other.expect("made").sha256, made.sha256);
        for (from, to) in [("\"guard_ms\": 3", "\"guard_ms\": 4"), ("pouch", "case")] {
            assert!(text.contains(from), "{from}");
            let said = Schedule::read("s.json", &text.replace(from, to)).expect_err("altered");
            assert!(
                said.to_string().contains("s.json: it was altered"),
                "{said}"
            );
        }
        let said = Schedule::read("s.json", "{}")
            .expect_err("empty")
            .to_string();
        assert!(said.contains("not a schedule"), "{said}");
    }

    #[test]
    fn a_plan_that_cannot_be_scheduled_is_refused() {
        let linked = Plan::read("p", include_str!("../../../config/plan.toml")).expect("a plan");
        let said = Schedule::of(&linked).expect_err("linked").to_string();
        assert!(said.contains("scheduled"), "{said}");
        let moving = "arrangement = \"scheduled\"\nmove_max = \"200 kHz\"\nclosings_max = 1\n"
            .to_owned()
            + include_str!("../../../config/plan.toml");
        let said = Plan::read("p", &moving).expect_err("moving").to_string();
        for words in [
            "timetable that two sides follow",
            "`arrangement = \"sealed\"`",
        ] {
            assert!(said.contains(words), "{said}");
        }
        let short = plan(|text| text + "[schedule]\nchip = \"60 ms\"\n");
        let said = Schedule::of(&short).expect_err("short").to_string();
        assert!(said.contains("too short"), "{said}");
        let path = std::path::Path::new("config/station.toml");
        let mut station = config::Station::load(path).expect("a station");
        let made = Schedule::of(&plan(|text| text)).expect("made");
        made.check(&station).expect("short emissions");
        station.safety.emission_max = "1 s".parse().expect("a time");
        let said = made.check(&station).expect_err("too long").to_string();
        assert!(said.contains("emission_max"), "{said}");
    }
}
