//! The whole bench in one place: instruments, air, item, and the time that passes for them.
//!
//! Nothing runs in the background. Whoever asks or changes something first lets the analyzer catch
//! up to the present under the conditions that held until then.

use std::collections::{BTreeMap, VecDeque};
use std::time::{Duration, Instant};

use super::analyzer::Analyzer;
use super::fault::Fault;
use super::radio::{Chain, Setting, Signal, Station, closing_db, dbm, drawn_stations, milliwatts};
use super::scpi::Status;
use super::shielding::{Face, Item, Polarisation, true_se};
use super::{BenchOptions, Pace, catalogue};
use crate::quantity::Frequency;

/// How long the source takes to settle after a change, s.
const SETTLING_S: f64 = 5e-3;
/// What an item that is put around the antenna but left open takes away at most, dB.
const OPEN_DB: f64 = 3.0;
/// The most items that can be defined.
pub(super) const ITEMS_MAX: usize = 1000;

/// A way into the bench.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Port {
    Source,
    SourceSerial,
    Receiver,
    Serial,
    Handheld,
}

impl Port {
    pub(super) const ALL: [Self; 5] = [
        Self::Source,
        Self::SourceSerial,
        Self::Receiver,
        Self::Serial,
        Self::Handheld,
    ];

    /// Whether it leads to the source; all others lead to the receiver.
    pub(super) fn is_source(self) -> bool {
        matches!(self, Self::Source | Self::SourceSerial)
    }

    pub(super) fn name(self) -> &'static str {
        match self {
            Self::Source => "source",
            Self::SourceSerial => "source_serial",
            Self::Receiver => "receiver",
            Self::Serial => "serial",
            Self::Handheld => "handheld",
        }
    }

    pub(super) fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|port| port.name() == name)
    }
}

/// What is known about one way in.
#[derive(Debug, Default)]
pub(super) struct Traffic {
    /// Message units taken.
    pub commands: u64,
    /// Answers given.
    pub answers: u64,
    /// Misbehaviour still to come, oldest first.
    pub faults: VecDeque<Fault>,
    /// Held back before every answer.
    pub delay: Duration,
    /// Answers still to be swallowed.
    pub silent: u32,
    /// New connections are closed at once.
    pub refusing: bool,
    /// What `*IDN?` says instead.
    pub identity: Option<String>,
}

impl Traffic {
    /// Takes a one-off fault if it was asked for.
    pub(super) fn take(&mut self, wanted: Fault) -> bool {
        let place = self.faults.iter().position(|fault| *fault == wanted);
        place.is_some_and(|place| self.faults.remove(place).is_some())
    }
}

/// What stands around the receive antenna.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub(super) struct Placement {
    pub item: Option<String>,
    pub face: Face,
    pub polarisation: Polarisation,
    pub closed: bool,
    /// The receiver itself lies in the item, and cannot be talked to while it is closed.
    pub sealed: bool,
}

/// Simulated time.
#[derive(Debug)]
struct Clock {
    pace: Pace,
    started: Instant,
    /// Spent or leapt over, beside what really passed.
    virtual_s: f64,
}

impl Clock {
    fn now_s(&self) -> f64 {
        match self.pace {
            Pace::AtOnce => self.virtual_s,
            Pace::Times(factor) => self.virtual_s + self.started.elapsed().as_secs_f64() * factor,
        }
    }
}

/// The bench.
#[derive(Debug)]
pub(super) struct World {
    seed: u64,
    clock: Clock,
    seen_s: f64,
    settled_s: f64,
    pub source: Setting,
    /// Added to the level that the source shows, dB.
    pub source_offset_db: f64,
    pub analyzer: Analyzer,
    pub trace_format: super::receiver::Format,
    chain: Chain,
    pub items: BTreeMap<String, Item>,
    placement: Placement,
    closings: u64,
    closing_sd_db: f64,
    stations: Vec<Station>,
    source_status: Status,
    receiver_status: Status,
    traffic: [Traffic; 5],
    on_since: Option<Instant>,
    longest_on: Duration,
    emissions: u64,
    /// When the output last went on or off.
    switched: Option<Instant>,
}

impl World {
    pub(super) fn new(options: &BenchOptions) -> Self {
        let items = catalogue::items().into_iter();
        Self {
            seed: options.seed,
            clock: Clock {
                pace: options.pace,
                started: Instant::now(),
                virtual_s: 0.0,
            },
            seen_s: 0.0,
            settled_s: 0.0,
            source: Setting::RESET,
            source_offset_db: 0.0,
            analyzer: Analyzer::new(options.seed),
            trace_format: super::receiver::Format::default(),
            chain: Chain::new(options.seed),
            items: items.map(|item| (item.serial.clone(), item)).collect(),
            placement: Placement {
                item: None,
                face: Face::Front,
                polarisation: Polarisation::Vertical,
                closed: true,
                sealed: false,
            },
            closings: 0,
            closing_sd_db: options.closing_sd_db,
            stations: match options.ambient {
                true => drawn_stations(options.seed),
                false => Vec::new(),
            },
            source_status: Status::default(),
            receiver_status: Status::default(),
            traffic: Default::default(),
            on_since: None,
            longest_on: Duration::ZERO,
            emissions: 0,
            switched: None,
        }
    }

    /// The status registers behind one way in; all receiver ports share one set.
    pub(super) fn status(&mut self, port: Port) -> &mut Status {
        match port.is_source() {
            true => &mut self.source_status,
            false => &mut self.receiver_status,
        }
    }

    pub(super) fn traffic(&mut self, port: Port) -> &mut Traffic {
        &mut self.traffic[port as usize]
    }

    /// Simulated seconds since the bench was switched on.
    pub(super) fn now_s(&self) -> f64 {
        self.clock.now_s()
    }

    /// Lets the analyzer live through the time since it was last looked at.
    pub(super) fn catch_up(&mut self) {
        let now_s = self.clock.now_s();
        let passed_s = now_s - self.seen_s;
        if passed_s > 0.0 {
            let signals = self.at_the_receiver(self.seen_s + passed_s / 2.0);
            self.analyzer.advance(passed_s, &signals);
            self.seen_s = now_s;
        }
    }

    /// Spends simulated time where nobody waits for it really.
    fn spend(&mut self, time_s: f64) {
        if self.clock.pace == Pace::AtOnce {
            self.clock.virtual_s += time_s;
            self.catch_up();
        }
    }

    /// Lets simulated time leap forward under the present conditions.
    pub(super) fn leap(&mut self, time_s: f64) {
        self.catch_up();
        self.clock.virtual_s += time_s;
        self.catch_up();
    }

    /// Before the scene changes. Without real time a free-running analyzer would never see a carrier
    /// that is switched on and off again: each scene lasts for two of its sweeps.
    fn before_change(&mut self) {
        self.catch_up();
        if self.analyzer.is_continuous() {
            self.spend(2.0 * self.analyzer.settings.sweep_s());
        }
    }

    /// Everything at the receiver's input.
    fn at_the_receiver(&self, time_s: f64) -> Vec<Signal> {
        let polarisation = self.placement.polarisation;
        let mut signals = self.chain.received(&self.source, polarisation, time_s);
        let stations = self.stations.iter().enumerate();
        signals.extend(stations.map(|(index, it)| self.chain.arriving(index, it, time_s)));
        for signal in &mut signals {
            signal.power_mw *= milliwatts(-self.attenuation_db(signal.frequency_hz));
        }
        signals
    }

    /// What the item takes away now, this closing's variation included, dB.
    fn attenuation_db(&self, frequency_hz: f64) -> f64 {
        let Placement {
            item,
            face,
            polarisation,
            closed,
            ..
        } = &self.placement;
        let Some(item) = item.as_ref().and_then(|serial| self.items.get(serial)) else {
            return 0.0;
        };
        let se = true_se(item, *face, *polarisation, Frequency::from_hz(frequency_hz));
        match closed {
            true => {
                let varied = closing_db(self.seed, self.closings, frequency_hz, self.closing_sd_db);
                se.db() + varied
            }
            false => se.db().min(OPEN_DB),
        }
    }

    /// Changes the source's setting.
    pub(super) fn set_source(&mut self, change: impl FnOnce(&mut Setting)) {
        let mut new = self.source;
        change(&mut new);
        if new == self.source {
            return;
        }
        self.before_change();
        if new.on != self.source.on {
            self.switched = Some(Instant::now());
        }
        match (self.source.on, new.on) {
            (false, true) => {
                self.on_since = Some(Instant::now());
                self.emissions += 1;
            }
            (true, false) => {
                self.longest_on = self.longest_emission();
                self.on_since = None;
            }
            _ => {}
        }
        self.source = new;
        self.settled_s = self.clock.now_s() + SETTLING_S;
        self.spend(SETTLING_S);
    }

    /// Puts an item around the antenna, or takes it away.
    pub(super) fn place(&mut self, placement: Placement) {
        self.before_change();
        self.placement = placement;
        self.closings += 1;
    }

    /// Whether a port cannot be reached because its instrument lies in a closed item.
    pub(super) fn is_shut_away(&self, port: Port) -> bool {
        let placed = &self.placement;
        !port.is_source() && placed.sealed && placed.closed && placed.item.is_some()
    }

    /// Adds an item, or replaces the one of the same serial.
    pub(super) fn define(&mut self, item: Item) {
        self.before_change();
        self.items.insert(item.serial.clone(), item);
    }

    /// How often something was placed.
    pub(super) fn closings(&self) -> u64 {
        self.closings
    }

    /// How often the output was switched on.
    pub(super) fn emissions(&self) -> u64 {
        self.emissions
    }

    pub(super) fn placement(&self) -> &Placement {
        &self.placement
    }

    /// Replaces all stations of the neighbourhood.
    pub(super) fn set_stations(&mut self, stations: Vec<Station>) {
        self.before_change();
        self.stations = stations;
    }

    pub(super) fn stations(&self) -> &[Station] {
        &self.stations
    }

    /// Changes the analyzer's settings, which throws away what it held.
    pub(super) fn set_receiver(&mut self, change: impl FnOnce(&mut super::settings::Settings)) {
        self.catch_up();
        change(&mut self.analyzer.settings);
        self.analyzer.restart();
        self.settle_receiver();
    }

    /// Changes the level at the mixer that the analyzer shows a decibel too low: a front end that is worn, or not.
    pub(super) fn set_compression(&mut self, level_dbm: f64) {
        self.catch_up();
        self.analyzer.compression_dbm = level_dbm;
    }

    /// Stops the measurement under way; a free-running analyzer begins its next sweep.
    pub(super) fn abort(&mut self) {
        self.catch_up();
        self.analyzer.abort();
    }

    /// Lets the analyzer run freely, or stops it.
    pub(super) fn set_continuous(&mut self, continuous: bool) {
        self.catch_up();
        self.analyzer.set_continuous(continuous);
    }

    /// Starts one measurement of so many sweeps as the settings say.
    pub(super) fn start_single(&mut self) {
        self.start_sweeps(self.analyzer.settings.sweeps());
    }

    /// Starts one measurement; where time is not real, it is done when this returns.
    pub(super) fn start_sweeps(&mut self, sweeps: u32) {
        self.catch_up();
        self.analyzer.start_single(sweeps);
        self.settle_receiver();
    }

    fn settle_receiver(&mut self) {
        if let Some(left_s) = self.analyzer.remaining_s() {
            self.spend(left_s * (1.0 + 1e-12));
        }
    }

    /// The trace; a free-running analyzer without real time makes a sweep for it first.
    pub(super) fn levels_dbm(&mut self) -> Vec<f64> {
        self.catch_up();
        if self.analyzer.is_continuous() {
            self.spend(self.analyzer.settings.sweep_s());
        }
        self.analyzer.levels_dbm()
    }

    /// Real time until an instrument has nothing pending; `None` when that is now.
    pub(super) fn pending(&mut self, port: Port) -> Option<Duration> {
        self.catch_up();
        let left_s = match port.is_source() {
            true => self.settled_s - self.clock.now_s(),
            false => self.analyzer.remaining_s()?,
        };
        let factor = match self.clock.pace {
            Pace::AtOnce => return None,
            Pace::Times(factor) => factor,
        };
        (left_s > 0.0).then(|| Duration::from_secs_f64(left_s / factor))
    }

    /// The real time since the output last went on or off.
    pub(super) fn since_switched(&self) -> Option<Duration> {
        self.switched.map(|at| at.elapsed())
    }

    /// The longest time, in real time, that the output was on without a break.
    pub(super) fn longest_emission(&self) -> Duration {
        let present = self
            .on_since
            .map_or(Duration::ZERO, |since| since.elapsed());
        self.longest_on.max(present)
    }

    /// All power at the receiver's input now, dBm.
    pub(super) fn input_dbm(&self) -> f64 {
        let signals = self.at_the_receiver(self.clock.now_s());
        dbm(signals.iter().map(|signal| signal.power_mw).sum())
    }
}
