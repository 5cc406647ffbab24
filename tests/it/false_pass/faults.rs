//! What goes wrong in the campaign, when, and whether anything could know of it.

use rand::RngExt;
use rand::rngs::StdRng;
use serde_json::{Value, json};

use Moment::{After, Item, Reference};

/// Between what a fault is planted: the hands do it when they have placed something.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Moment {
    /// The open path stands for the first time.
    Reference,
    /// The item stands.
    Item,
    /// The open path stands again.
    After,
}

/// How the item is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    /// The reference, the item, the reference again, in one go.
    Measured,
    /// The reference; the station is opened anew; then the item, with that reference if it may be used.
    Reused,
    /// Stopped in the middle of the item; the station is opened anew; gone on with.
    Resumed,
    /// The reference; then the database is copied to another bench, and the item measured there.
    Copied,
    /// Stopped in the middle of the item; then the database is copied to another bench, and it is gone on with there.
    ResumedElsewhere,
    /// As a unit of a lot, by a plan that leaves out the frequencies at which it is worst.
    LotByOtherFrequencies,
    /// As a unit of a lot, by a plan with a more lenient limit than the lot's other units.
    LotByOtherLimit,
}

/// A request to the control port, and when it is made.
pub type Act = (Moment, Value);

/// One kind of fault.
pub struct Kind {
    pub name: &'static str,
    pub way: Way,
    /// Why nothing in the program can know of it; none where something must.
    pub unseen: Option<&'static str>,
    /// Whether the station has a power monitor; drawn where that is not what it is about.
    pub monitor: Option<bool>,
    pub acts: fn(&mut Draw) -> Vec<Act>,
}

impl Kind {
    /// Whether nothing is wrong.
    pub fn is_clean(&self) -> bool {
        self.name == NONE.name
    }
}

/// What acts are drawn from.
pub struct Draw {
    pub random: StdRng,
    pub frequencies_hz: Vec<f64>,
    /// What else stands on the shelf.
    pub other_item: &'static str,
}

impl Draw {
    fn between(&mut self, low: f64, high: f64) -> f64 {
        self.random.random_range(low..high)
    }

    fn either(&mut self) -> f64 {
        if self.random.random() { 1.0 } else { -1.0 }
    }

    /// One of the frequencies, as the number of its emission in an item's run; mostly the highest, at which the item
    /// is worst.
    fn nth(&mut self) -> usize {
        match self.random.random_bool(0.6) {
            true => self.frequencies_hz.len(),
            false => self.random.random_range(1..=self.frequencies_hz.len()),
        }
    }

    /// Milliseconds after the output went on: mostly while the trace is taken.
    fn ms(&mut self) -> f64 {
        self.between(0.0, 60.0)
    }

    /// A fault that begins in the middle of an item's reading, and again when that is repeated.
    fn in_a_reading(&mut self, mut fault: Value) -> Vec<Act> {
        fault["when"] = json!("acknowledged");
        fault["nth"] = json!(self.nth());
        fault["ms"] = json!(self.ms());
        fault["times"] = json!(self.random.random_range(1..=5));
        vec![planted(Item, fault)]
    }

    /// The same, and what lasts ends with the emission.
    fn in_an_emission(&mut self, mut fault: Value) -> Vec<Act> {
        fault["until"] = json!("off");
        self.in_a_reading(fault)
    }

    /// A fault that begins in the middle of an item's run and stays.
    fn after_a_reading(&mut self, mut fault: Value) -> Vec<Act> {
        fault["when"] = json!("acknowledged");
        fault["nth"] = json!(self.nth());
        fault["ms"] = json!(self.ms());
        vec![planted(Item, fault)]
    }
}

fn planted(moment: Moment, fault: Value) -> Act {
    (moment, json!({ "do": "plant", "faults": [fault] }))
}

/// While the station is not open somebody puts another analyzer in the first one's place.
fn another_analyzer(draw: &mut Draw) -> Vec<Act> {
    let db = draw.either() * draw.between(3.0, 10.0);
    let identity = "Tarn End,Simulated receiver,0099,1.0";
    vec![
        planted(Reference, json!({ "fault": "attenuator_stuck", "db": db })),
        (
            Reference,
            json!({ "do": "fault", "on": "receiver", "identity": identity }),
        ),
    ]
}

fn mended() -> Act {
    (After, json!({ "do": "plant", "clear": true }))
}

const fn seen(name: &'static str, acts: fn(&mut Draw) -> Vec<Act>) -> Kind {
    by(Way::Measured, name, acts)
}

const fn by(way: Way, name: &'static str, acts: fn(&mut Draw) -> Vec<Act>) -> Kind {
    Kind {
        name,
        way,
        unseen: None,
        monitor: None,
        acts,
    }
}

/// What the source does not know of, and what is over before the reference is looked at again: a power monitor sees it.
const fn monitored(name: &'static str, acts: fn(&mut Draw) -> Vec<Act>) -> Kind {
    Kind {
        monitor: Some(true),
        ..seen(name, acts)
    }
}

/// The same at a station without a power monitor.
const fn unmonitored(name: &'static str, acts: fn(&mut Draw) -> Vec<Act>) -> Kind {
    Kind {
        monitor: Some(false),
        ..unseen(name, BEHIND_THE_SOURCE, acts)
    }
}

const fn unseen(name: &'static str, reason: &'static str, acts: fn(&mut Draw) -> Vec<Act>) -> Kind {
    Kind {
        name,
        way: Way::Measured,
        unseen: Some(reason),
        monitor: None,
        acts,
    }
}

/// The bench as it should be.
pub const NONE: Kind = seen("none", |_| Vec::new());

const BEHIND_THE_SOURCE: &str =
    "without a power monitor nothing measures what really leaves the source and the amplifier";

fn amplifier_sags_and_recovers(draw: &mut Draw) -> Vec<Act> {
    let db = draw.between(3.0, 30.0);
    let mut acts = draw.after_a_reading(json!({ "fault": "amplifier_sags", "db": db }));
    acts.push(mended());
    acts
}

/// All faults. The README says the same of those that cannot be seen.
pub const FAULTS: &[Kind] = &[
    seen("source trips", |draw| {
        draw.in_a_reading(json!({ "fault": "source_trips" }))
    }),
    seen("source turned down", |draw| {
        let db = draw.between(-40.0, -6.0);
        draw.in_a_reading(json!({ "fault": "source_level", "db": db }))
    }),
    seen("source turned in frequency", |draw| {
        let hz = draw.either() * draw.between(5e4, 5e6);
        draw.in_a_reading(json!({ "fault": "source_tuned", "hz": hz }))
    }),
    seen("source resets", |draw| {
        draw.in_a_reading(json!({ "fault": "source_resets" }))
    }),
    seen("source trips by reverse power", |draw| {
        draw.after_a_reading(json!({ "fault": "source_reverse_power" }))
    }),
    seen("source not levelled", |draw| {
        let db = draw.between(6.0, 30.0);
        draw.in_an_emission(json!({ "fault": "source_unlevelled", "db": db }))
    }),
    monitored("source sags in one emission", |draw| {
        let db = draw.between(6.0, 30.0);
        draw.in_an_emission(json!({ "fault": "source_sags", "db": db }))
    }),
    monitored("source drifts in one emission", |draw| {
        let db_per_s = draw.between(50.0, 500.0);
        draw.in_an_emission(json!({ "fault": "source_drifts", "db_per_s": db_per_s }))
    }),
    monitored("source dead in one emission", |draw| {
        draw.in_an_emission(json!({ "fault": "source_dead" }))
    }),
    monitored("amplifier trips in one emission", |draw| {
        draw.in_an_emission(json!({ "fault": "amplifier_trips" }))
    }),
    monitored("amplifier sags in one emission", |draw| {
        let db = draw.between(3.0, 30.0);
        draw.in_an_emission(json!({ "fault": "amplifier_sags", "db": db }))
    }),
    monitored("amplifier sags and recovers", amplifier_sags_and_recovers),
    monitored("amplifier's cable torn and mended", |draw| {
        let db = draw.between(3.0, 40.0);
        let mut acts = draw.after_a_reading(json!({ "fault": "transmit_cable", "db": db }));
        acts.push(mended());
        acts
    }),
    seen("amplifier's cable loose", |draw| {
        let db = draw.between(3.0, 40.0);
        draw.after_a_reading(json!({ "fault": "transmit_cable", "db": db }))
    }),
    seen("source sags and stays", |draw| {
        let db = draw.between(2.0, 30.0);
        draw.after_a_reading(json!({ "fault": "source_sags", "db": db }))
    }),
    seen("source dead and stays", |draw| {
        draw.after_a_reading(json!({ "fault": "source_dead" }))
    }),
    seen("source beside its frequency", |draw| {
        let hz = draw.either() * draw.between(1e4, 1e6);
        draw.after_a_reading(json!({ "fault": "source_slips", "hz": hz }))
    }),
    seen("amplifier trips and stays", |draw| {
        draw.after_a_reading(json!({ "fault": "amplifier_trips" }))
    }),
    seen("amplifier sags and stays", |draw| {
        let db = draw.between(1.0, 30.0);
        draw.after_a_reading(json!({ "fault": "amplifier_sags", "db": db }))
    }),
    seen("transmit cable loose", |draw| {
        let db = draw.between(1.0, 40.0);
        draw.after_a_reading(json!({ "fault": "antenna_cable", "db": db }))
    }),
    seen("receive cable loose", |draw| {
        let db = draw.between(1.0, 40.0);
        draw.after_a_reading(json!({ "fault": "receive_cable", "db": db }))
    }),
    seen("antenna turned", |draw| {
        let db = draw.between(3.0, 25.0);
        draw.after_a_reading(json!({ "fault": "antenna_turned", "db": db }))
    }),
    seen("antenna turned in the reference", |draw| {
        let db = draw.between(3.0, 25.0);
        let fault = json!({ "fault": "antenna_turned", "db": db, "until": "placed" });
        vec![planted(Reference, fault)]
    }),
    seen("analyzer desensitised", |draw| {
        let db = draw.between(1.0, 30.0);
        draw.after_a_reading(json!({ "fault": "receiver_deaf", "db": db }))
    }),
    seen("attenuator stuck", |draw| {
        let db = draw.either() * draw.between(5.0, 20.0);
        draw.after_a_reading(json!({ "fault": "attenuator_stuck", "db": db }))
    }),
    seen("analyzer retuned before the sweep", |draw| {
        let hz = draw.either() * draw.between(3e4, 5e6);
        let (nth, times) = (draw.nth(), draw.random.random_range(1..=5));
        vec![planted(
            Item,
            json!({ "fault": "receiver_tuned", "hz": hz, "when": "sweep", "nth": nth, "times": times }),
        )]
    }),
    seen("analyzer retuned in the sweep", |draw| {
        let hz = draw.either() * draw.between(3e4, 5e6);
        draw.in_a_reading(json!({ "fault": "receiver_tuned", "hz": hz }))
    }),
    seen("analyzer retuned for good", |draw| {
        let hz = draw.either() * draw.between(3e4, 5e6);
        let (nth, ms) = (draw.nth(), draw.ms());
        vec![planted(
            Item,
            json!({ "fault": "receiver_tuned", "hz": hz, "when": "sweep", "nth": nth, "ms": ms, "times": 100 }),
        )]
    }),
    seen("analyzer's span turned", |draw| {
        let hz = draw.between(1e5, 1e7);
        draw.in_a_reading(json!({ "fault": "receiver_span", "hz": hz }))
    }),
    seen("analyzer's preamplifier switched", |draw| {
        draw.in_a_reading(json!({ "fault": "receiver_preamplifier" }))
    }),
    seen("analyzer resets", |draw| {
        draw.in_a_reading(json!({ "fault": "receiver_resets" }))
    }),
    seen("analyzer's hold begun anew", |draw| {
        draw.in_a_reading(json!({ "fault": "receiver_hold_restarts" }))
    }),
    seen("analyzer's hold switched off", |draw| {
        draw.in_a_reading(json!({ "fault": "receiver_hold_off" }))
    }),
    seen("analyzer swapped", |draw| {
        let db = draw.either() * draw.between(3.0, 10.0);
        let nth = draw.nth();
        vec![planted(
            Item,
            json!({ "fault": "receiver_swapped", "serial": "0099", "db": db, "when": "on", "nth": nth }),
        )]
    }),
    seen("resolution adjusted", |draw| {
        let hz = [300.0, 3e3][draw.random.random_range(0..2)];
        vec![planted(
            Reference,
            json!({ "fault": "resolution_adjusted", "hz": hz }),
        )]
    }),
    seen("resolution adjusted with the item", |draw| {
        let hz = [100.0, 300.0, 3e3][draw.random.random_range(0..3)];
        vec![planted(
            Item,
            json!({ "fault": "resolution_adjusted", "hz": hz }),
        )]
    }),
    seen("video bandwidth automatic", |draw| {
        let hz = [10.0, 30.0, 100.0][draw.random.random_range(0..3)];
        vec![planted(
            Reference,
            json!({ "fault": "video_adjusted", "hz": hz }),
        )]
    }),
    seen("other detector", |draw| {
        let detector = ["SAMP", "NEG", "RMS"][draw.random.random_range(0..3)];
        vec![planted(
            Reference,
            json!({ "fault": "other_detector", "detector": detector }),
        )]
    }),
    seen("other detector with the item", |draw| {
        let detector = ["SAMP", "NEG", "RMS"][draw.random.random_range(0..3)];
        vec![planted(
            Item,
            json!({ "fault": "other_detector", "detector": detector }),
        )]
    }),
    seen("other trace unit in the reference", |draw| {
        let unit = ["DBUV", "W"][draw.random.random_range(0..2)];
        let fault = json!({ "fault": "trace_unit", "unit": unit, "until": "placed" });
        vec![planted(Reference, fault)]
    }),
    seen("other trace unit in the reference, hidden", |draw| {
        let unit = ["DBUV", "W"][draw.random.random_range(0..2)];
        let fault =
            json!({ "fault": "trace_unit", "unit": unit, "hidden": true, "until": "placed" });
        vec![planted(Reference, fault)]
    }),
    seen("other trace unit with the item", |draw| {
        let unit = ["DBUV", "W"][draw.random.random_range(0..2)];
        let hidden: bool = draw.random.random();
        draw.after_a_reading(json!({ "fault": "trace_unit", "unit": unit, "hidden": hidden }))
    }),
    seen("burst in the reference", |draw| {
        let index = draw.random.random_range(0..draw.frequencies_hz.len());
        let tone = json!({ "fault": "ambient", "frequency_hz": draw.frequencies_hz[index],
            "level_dbm": draw.between(-20.0, -8.0), "when": "acknowledged",
            // Signal, then step, of each frequency.
            "nth": 2 * index + 1, "ms": draw.between(0.0, 20.0), "for_ms": draw.between(5.0, 60.0) });
        vec![planted(Reference, tone)]
    }),
    seen("ambient after the floor", |draw| {
        let index = draw.random.random_range(0..draw.frequencies_hz.len());
        let tone = json!({ "fault": "ambient", "frequency_hz": draw.frequencies_hz[index],
            "level_dbm": draw.between(-60.0, -20.0), "when": "on", "nth": index + 1 });
        vec![planted(Item, tone)]
    }),
    seen("ambient from the reference's signal on", |draw| {
        let index = draw.random.random_range(0..draw.frequencies_hz.len());
        let tone = json!({ "fault": "ambient", "frequency_hz": draw.frequencies_hz[index],
            "level_dbm": draw.between(-20.0, -8.0), "when": "on", "nth": 2 * index + 1 });
        vec![planted(Reference, tone)]
    }),
    seen("reference through an item", |draw| {
        let other = json!({ "fault": "other_item", "item": draw.other_item, "until": "placed" });
        vec![planted(Reference, other)]
    }),
    seen("lid open", |_| {
        vec![planted(
            Item,
            json!({ "fault": "lid_open", "until": "placed" }),
        )]
    }),
    seen("no item", |_| {
        vec![planted(
            Item,
            json!({ "fault": "other_item", "item": null, "until": "placed" }),
        )]
    }),
    by(
        Way::Reused,
        "another analyzer after a stop",
        another_analyzer,
    ),
    by(
        Way::Resumed,
        "resumed with another analyzer",
        another_analyzer,
    ),
    by(Way::Resumed, "resumed with a worn amplifier", |draw| {
        let db = draw.between(3.0, 20.0);
        vec![planted(
            Reference,
            json!({ "fault": "amplifier_sags", "db": db }),
        )]
    }),
    by(Way::Copied, "database copied", |_| Vec::new()),
    by(Way::ResumedElsewhere, "resumed on another bench", |_| {
        Vec::new()
    }),
    // By the clock the reference is minutes old; by the amplifier it is years.
    by(Way::Reused, "clock set back, reference old", |draw| {
        let db = draw.between(3.0, 10.0);
        vec![planted(
            Reference,
            json!({ "fault": "amplifier_sags", "db": db }),
        )]
    }),
    by(
        Way::LotByOtherFrequencies,
        "lot by other frequencies",
        |_| Vec::new(),
    ),
    by(Way::LotByOtherLimit, "lot by another limit", |_| Vec::new()),
    unseen(
        "wrong item",
        "another item under the right serial looks like the right one",
        |draw| {
            let other =
                json!({ "fault": "other_item", "item": draw.other_item, "until": "placed" });
            vec![planted(Item, other)]
        },
    ),
    unseen(
        "item exchanged",
        "an item exchanged between two readings looks like the one that was there",
        |draw| {
            let other =
                json!({ "fault": "other_item", "item": draw.other_item, "until": "placed" });
            draw.after_a_reading(other)
        },
    ),
    unmonitored("source sags in one emission, no monitor", |draw| {
        let db = draw.between(6.0, 30.0);
        draw.in_an_emission(json!({ "fault": "source_sags", "db": db }))
    }),
    unmonitored("amplifier trips in one emission, no monitor", |draw| {
        draw.in_an_emission(json!({ "fault": "amplifier_trips" }))
    }),
    unmonitored(
        "amplifier sags and recovers, no monitor",
        amplifier_sags_and_recovers,
    ),
    unseen(
        "antenna's cable loose and fast again",
        "no power monitor sees beyond its coupler",
        |draw| {
            let db = draw.between(3.0, 30.0);
            let mut acts = draw.after_a_reading(json!({ "fault": "antenna_cable", "db": db }));
            acts.push(mended());
            acts
        },
    ),
    unseen(
        "receive cable loose and fast again",
        "nothing is sent through the receive cable but what is measured",
        |draw| {
            let db = draw.between(3.0, 30.0);
            let mut acts = draw.after_a_reading(json!({ "fault": "receive_cable", "db": db }));
            acts.push(mended());
            acts
        },
    ),
    unseen(
        "antenna turned and turned back",
        "no instrument knows how an antenna stands",
        |draw| {
            let fault = json!({ "fault": "antenna_turned", "db": draw.between(3.0, 25.0), "until": "placed" });
            vec![planted(Item, fault)]
        },
    ),
];
