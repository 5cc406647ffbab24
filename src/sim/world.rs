//! The whole bench in one place: instruments, air, item, and the time that passes for them.
//!
//! Nothing runs in the background. Whoever asks or changes something first lets the analyzer catch
//! up to the present under the conditions that held until then.

use std::collections::{BTreeMap, VecDeque};
use std::time::{Duration, Instant};

use super::analyzer::Analyzer;
use super::fault::{BenchFault, Fault, Happening, Planted, Plot};
use super::radio::{
    Chain, Setting, Signal, Station, closing_db, dbm, drawn_stations, milliwatts, mismatch_db,
    position_db,
};
use super::scpi::Status;
use super::shielding::{Face, Item, Polarisation, true_se};
use super::{BenchOptions, Pace, PlacementErrors, catalogue};
use crate::quantity::Frequency;

/// How long the source takes to settle after a change, s.
const SETTLING_S: f64 = 5e-3;
/// What an item that is put around the antenna but left open takes away at most, dB.
const OPEN_DB: f64 = 3.0;
/// What the coupler at the amplifier's output takes off, dB.
pub(super) const COUPLING_DB: f64 = 30.0;
/// What the power monitor reads of nothing, dBm.
const MONITOR_NOISE_DBM: f64 = -60.0;
/// How long it takes for a reading, s.
const MONITOR_S: f64 = 2e-3;
/// The frequency that it corrects for after a reset, Hz.
pub(super) const MONITOR_RESET_HZ: f64 = 50e6;
/// How often faults may begin one measurement anew.
const RESTARTS_MAX: u32 = 8;
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
    PowerMonitor,
}

/// What stands behind a way in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Role {
    Source,
    Receiver,
    PowerMonitor,
}

impl Port {
    pub(super) const ALL: [Self; 6] = [
        Self::Source,
        Self::SourceSerial,
        Self::Receiver,
        Self::Serial,
        Self::Handheld,
        Self::PowerMonitor,
    ];

    /// The instrument that it leads to.
    pub(super) fn role(self) -> Role {
        match self {
            Self::Source | Self::SourceSerial => Role::Source,
            Self::Receiver | Self::Serial | Self::Handheld => Role::Receiver,
            Self::PowerMonitor => Role::PowerMonitor,
        }
    }

    pub(super) fn name(self) -> &'static str {
        match self {
            Self::Source => "source",
            Self::SourceSerial => "source_serial",
            Self::Receiver => "receiver",
            Self::Serial => "serial",
            Self::Handheld => "handheld",
            Self::PowerMonitor => "power_monitor",
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

impl Placement {
    /// Whether something is moved from here to there, and not only opened or closed.
    fn is_elsewhere(&self, there: &Self) -> bool {
        self.item != there.item
            || self.face != there.face
            || self.polarisation != there.polarisation
    }
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
    /// How often something else was put there than stood there.
    placements: u64,
    errors: PlacementErrors,
    stations: Vec<Station>,
    /// Of source, receiver and power monitor.
    status: [Status; 3],
    /// Who holds the lock of each of them, by the number of its connection.
    locks: [Option<u64>; 3],
    traffic: [Traffic; 6],
    plot: Plot,
    /// The frequency that the power monitor corrects for, Hz.
    pub monitor_hz: f64,
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
            placements: 0,
            errors: options.errors,
            stations: match options.ambient {
                true => drawn_stations(options.seed),
                false => Vec::new(),
            },
            status: Default::default(),
            locks: [None; 3],
            traffic: Default::default(),
            plot: Plot::default(),
            monitor_hz: MONITOR_RESET_HZ,
            on_since: None,
            longest_on: Duration::ZERO,
            emissions: 0,
            switched: None,
        }
    }

    /// The status registers behind one way in; all receiver ports share one set.
    pub(super) fn status(&mut self, port: Port) -> &mut Status {
        &mut self.status[port.role() as usize]
    }

    /// Gives the instrument's lock to a connection unless another one has it (SCPI-1999, `SYSTem:LOCK`, from memory).
    pub(super) fn lock(&mut self, port: Port, client: u64) -> bool {
        let holder = self.locks[port.role() as usize].get_or_insert(client);
        *holder == client
    }

    /// Gives it back; for a connection that has ended, whichever it held.
    pub(super) fn unlock(&mut self, port: Port, client: u64) {
        self.locks[port.role() as usize].take_if(|holder| *holder == client);
    }

    /// Whether another connection has the instrument for itself.
    pub(super) fn is_locked_against(&self, port: Port, client: u64) -> bool {
        self.locks[port.role() as usize].is_some_and(|holder| holder != client)
    }

    pub(super) fn traffic(&mut self, port: Port) -> &mut Traffic {
        &mut self.traffic[port as usize]
    }

    /// Simulated seconds since the bench was switched on.
    pub(super) fn now_s(&self) -> f64 {
        self.clock.now_s()
    }

    /// Lets the bench live through the time since it was last looked at, with the planted faults in it.
    pub(super) fn catch_up(&mut self) {
        let now_s = self.clock.now_s();
        while let Some(at_s) = self.plot.next(now_s) {
            self.live_until(at_s);
            for fault in self.plot.strike(at_s) {
                self.suffer(fault);
            }
        }
        self.live_until(now_s);
    }

    fn live_until(&mut self, now_s: f64) {
        let passed_s = now_s - self.seen_s;
        if passed_s > 0.0 {
            let signals = self.at_the_receiver(self.seen_s + passed_s / 2.0);
            self.analyzer.advance(passed_s, &signals);
            self.seen_s = now_s;
        }
    }

    /// Plants a fault of the bench.
    pub(super) fn plant(&mut self, planted: Planted) {
        self.catch_up();
        self.plot.plant(planted, self.clock.now_s());
        self.catch_up();
    }

    /// Ends all faults of the bench; what was set by them stays set.
    pub(super) fn mend(&mut self) {
        self.catch_up();
        self.plot.clear();
        for port in Port::ALL {
            self.traffic(port).identity = None;
        }
    }

    pub(super) fn plot(&self) -> &Plot {
        &self.plot
    }

    /// Tells the planted faults what they may wait for.
    pub(super) fn happens(&mut self, what: Happening) {
        self.plot.happens(what, self.clock.now_s());
        self.catch_up();
    }

    /// What a fault does when it begins; one that lasts is taken into account where it has its effect.
    fn suffer(&mut self, fault: BenchFault) {
        let settings = &mut self.analyzer.settings;
        match fault {
            BenchFault::SourceTrips => self.switch_source(|setting| setting.on = false),
            BenchFault::SourceResets => {
                self.switch_source(|setting| *setting = Setting::RESET);
                self.status[Role::Source as usize] = Status::default();
            }
            BenchFault::SourceLevel { db } => self.source.level_dbm += db,
            BenchFault::SourceTuned { hz } => self.source.frequency_hz += hz,
            BenchFault::ReceiverTuned { hz } => settings.centre_hz += hz,
            BenchFault::ReceiverSpan { hz } => settings.span_hz = hz,
            BenchFault::ReceiverPreamplifier => settings.preamp = !settings.preamp,
            BenchFault::ReceiverResets => {
                self.status[Role::Receiver as usize] = Status::default();
                *settings = Default::default();
                self.analyzer.abort();
            }
            BenchFault::ReceiverStops => {
                settings.continuous = false;
                self.analyzer.abort();
                return;
            }
            BenchFault::ReceiverHoldOff => settings.averaging = false,
            BenchFault::ReceiverSwapped { serial, .. } => {
                let identity = format!("Tarn End,Simulated receiver,{serial},1.0");
                for port in Port::ALL {
                    if port.role() == Role::Receiver {
                        self.traffic(port).identity = Some(identity.clone());
                    }
                }
                self.status[Role::Receiver as usize] = Status::default();
                self.traffic(Port::Receiver).faults.push_back(Fault::Drop);
                return;
            }
            BenchFault::ResolutionAdjusted { .. }
            | BenchFault::VideoAdjusted { .. }
            | BenchFault::OtherDetector { .. }
            | BenchFault::ReceiverSlow { .. } => self.adjust(),
            BenchFault::ReceiverHoldRestarts => {}
            _ => return,
        }
        let of_receiver = !matches!(
            fault,
            BenchFault::SourceTrips
                | BenchFault::SourceResets
                | BenchFault::SourceLevel { .. }
                | BenchFault::SourceTuned { .. }
        );
        if of_receiver {
            self.analyzer.restart();
        }
    }

    /// What the analyzer makes of its settings while it does not take them as they are asked for.
    fn adjust(&mut self) {
        let settings = &mut self.analyzer.settings;
        for (fault, _) in self.plot.acting() {
            match fault {
                BenchFault::ResolutionAdjusted { hz } => settings.rbw_hz = Some(*hz),
                BenchFault::VideoAdjusted { hz } => settings.vbw_hz = Some(*hz),
                BenchFault::ReceiverSlow { factor } => settings.slowness = *factor,
                BenchFault::OtherDetector { detector } => {
                    if let Some(detector) = super::receiver::detector(detector) {
                        settings.detector = detector;
                    }
                }
                _ => {}
            }
        }
    }

    /// What the source puts out, as far from what it says as its faults take it.
    fn put_out(&self, time_s: f64) -> Setting {
        let mut setting = self.source;
        for (fault, since_s) in self.plot.acting() {
            match fault {
                BenchFault::SourceReversePower | BenchFault::SourceDead => setting.on = false,
                BenchFault::SourceUnlevelled { db } | BenchFault::SourceSags { db } => {
                    setting.level_dbm -= db;
                }
                BenchFault::SourceDrifts { db_per_s } => {
                    setting.level_dbm -= db_per_s * (time_s - since_s).max(0.0);
                }
                BenchFault::SourceSlips { hz } => setting.frequency_hz += hz,
                _ => {}
            }
        }
        setting
    }

    /// Whether the source says that its output is on.
    pub(super) fn says_on(&self) -> bool {
        let tripped = |(fault, _): (&BenchFault, f64)| *fault == BenchFault::SourceReversePower;
        self.source.on && !self.plot.acting().any(tripped)
    }

    /// The source's questionable power condition: bit 0 unlevelled, bit 1 tripped by reverse power.
    pub(super) fn source_condition(&self) -> u16 {
        self.plot.acting().fold(0, |bits, (fault, _)| match fault {
            BenchFault::SourceUnlevelled { .. } => bits | 1,
            BenchFault::SourceReversePower => bits | 2,
            _ => bits,
        })
    }

    /// What is lost between the amplifier and its coupler, more than there should be, dB.
    fn lost_before_coupler_db(&self) -> f64 {
        let lost = self.plot.acting().map(|(fault, _)| match fault {
            BenchFault::AmplifierTrips => 300.0,
            BenchFault::AmplifierSags { db } | BenchFault::TransmitCable { db } => *db,
            _ => 0.0,
        });
        lost.sum()
    }

    /// What is lost of the carrier between the coupler and the air, more than there should be, dB.
    fn lost_after_coupler_db(&self) -> f64 {
        let lost = self.plot.acting().map(|(fault, _)| match fault {
            BenchFault::AntennaCable { db } | BenchFault::AntennaTurned { db } => *db,
            _ => 0.0,
        });
        lost.sum()
    }

    /// What is lost of everything before the analyzer's own noise is added, more than there should be, dB.
    fn lost_at_receiver_db(&self) -> f64 {
        let lost = self.plot.acting().map(|(fault, _)| match fault {
            BenchFault::ReceiveCable { db } | BenchFault::ReceiverDeaf { db } => *db,
            _ => 0.0,
        });
        lost.sum()
    }

    /// How much too high the analyzer shows every frequency, more than its own clock makes it, as a part.
    fn receiver_off(&self) -> f64 {
        let off = self.plot.acting().map(|(fault, _)| match fault {
            BenchFault::ReceiverClock { ppm } => 1e-6 * ppm,
            _ => 0.0,
        });
        off.sum()
    }

    /// What is added to every level shown, noise and signal alike, dB.
    fn shown_wrong_db(&self) -> f64 {
        let wrong = self.plot.acting().map(|(fault, _)| match fault {
            BenchFault::ReceiverSwapped { db, .. } | BenchFault::AttenuatorStuck { db } => *db,
            _ => 0.0,
        });
        wrong.sum()
    }

    /// The unit that traces are in although another was set, and whether the analyzer says so.
    pub(super) fn forced_unit(&self) -> Option<(&str, bool)> {
        self.plot.acting().find_map(|(fault, _)| match fault {
            BenchFault::TraceUnit { unit, hidden } => Some((unit.as_str(), *hidden)),
            _ => None,
        })
    }

    /// What comes out of the coupler at the amplifier's output, dBm.
    pub(super) fn coupled_dbm(&mut self) -> f64 {
        self.spend(MONITOR_S);
        self.catch_up();
        let now_s = self.clock.now_s();
        let lost_db = self.lost_before_coupler_db();
        let forward_dbm = self.chain.forward_dbm(&self.put_out(now_s), now_s) - lost_db;
        // The sensor's own noise, as a reading of a second would have it (from memory of data sheets).
        dbm(milliwatts(forward_dbm - COUPLING_DB) + milliwatts(MONITOR_NOISE_DBM))
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
        let put_out = self.put_out(time_s);
        let mut signals = self.chain.received(&put_out, polarisation, time_s);
        let lost_db = self.lost_before_coupler_db() + self.lost_after_coupler_db();
        for carrier in &mut signals {
            carrier.power_mw *= milliwatts(-lost_db);
        }
        let stations = self.stations.iter().enumerate();
        signals.extend(stations.map(|(index, it)| self.chain.arriving(index, it, time_s)));
        signals.extend(self.plot.acting().filter_map(|(fault, _)| match fault {
            BenchFault::Ambient {
                frequency_hz,
                level_dbm,
            } => Some(Signal {
                frequency_hz: *frequency_hz,
                power_mw: milliwatts(*level_dbm),
                deviation_hz: 0.0,
            }),
            _ => None,
        }));
        let lost_db = self.lost_at_receiver_db();
        let off = self.receiver_off();
        for signal in &mut signals {
            let set_up_db = self.set_up_db(signal.frequency_hz);
            signal.power_mw *=
                milliwatts(set_up_db - lost_db - self.attenuation_db(signal.frequency_hz));
            signal.frequency_hz *= 1.0 + off;
        }
        signals
    }

    /// What really stands there, which a fault may have made another than was placed.
    fn really_placed(&self) -> (Option<&Item>, bool) {
        let mut item = self.placement.item.as_ref();
        let mut closed = self.placement.closed;
        for (fault, _) in self.plot.acting() {
            match fault {
                BenchFault::OtherItem { item: other } => item = other.as_ref(),
                BenchFault::LidOpen => closed = false,
                _ => {}
            }
        }
        (item.and_then(|serial| self.items.get(serial)), closed)
    }

    /// What the item takes away now, this closing's variation included, dB.
    fn attenuation_db(&self, frequency_hz: f64) -> f64 {
        let Placement {
            face, polarisation, ..
        } = &self.placement;
        let (Some(item), closed) = self.really_placed() else {
            return 0.0;
        };
        let se = true_se(item, *face, *polarisation, Frequency::from_hz(frequency_hz));
        match closed {
            true => {
                let sd_db = self.errors.closing_sd_db;
                se.db() + closing_db(self.seed, self.closings, frequency_hz, sd_db)
            }
            false => se.db().min(OPEN_DB),
        }
    }

    /// What the present place of antennas and item adds to what arrives, dB. In the open all stands on its marks, and
    /// is the same each time; the phase of its reflections is another all the same.
    fn set_up_db(&self, frequency_hz: f64) -> f64 {
        let (position_db, surroundings) = match self.placement.item {
            None => (0.0, self.placement.polarisation as u64),
            Some(_) => (
                position_db(
                    self.seed,
                    self.placements,
                    frequency_hz,
                    self.errors.position_db,
                ),
                // Past those of the open path.
                self.placements + 2,
            ),
        };
        let vswr = [self.errors.antenna_vswr, self.errors.receiver_vswr];
        position_db + mismatch_db(self.seed, surroundings, frequency_hz, vswr)
    }

    /// Changes the source's setting.
    pub(super) fn set_source(&mut self, change: impl FnOnce(&mut Setting)) {
        let mut new = self.source;
        change(&mut new);
        if new == self.source {
            return;
        }
        self.before_change();
        let was_on = self.source.on;
        self.switch_source(|setting| *setting = new);
        match (was_on, new.on) {
            (false, true) => self.happens(Happening::On),
            (true, false) => self.happens(Happening::Off),
            _ => {}
        }
        self.settled_s = self.clock.now_s() + SETTLING_S;
        self.spend(SETTLING_S);
    }

    /// Changes it at once, by whatever hand.
    fn switch_source(&mut self, change: impl FnOnce(&mut Setting)) {
        let was_on = self.source.on;
        change(&mut self.source);
        match (was_on, self.source.on) {
            (false, true) => {
                self.switched = Some(Instant::now());
                self.on_since = Some(Instant::now());
                self.emissions += 1;
            }
            (true, false) => {
                self.switched = Some(Instant::now());
                self.longest_on = self.longest_emission();
                self.on_since = None;
            }
            _ => {}
        }
    }

    /// Puts an item around the antenna, or takes it away.
    pub(super) fn place(&mut self, placement: Placement) {
        self.before_change();
        let was = std::mem::replace(&mut self.placement, placement);
        self.closings += 1;
        self.placements += u64::from(was.is_elsewhere(&self.placement));
        self.happens(Happening::Placed);
    }

    /// Whether a port cannot be reached because its instrument lies in a closed item.
    pub(super) fn is_shut_away(&self, port: Port) -> bool {
        let placed = &self.placement;
        port.role() == Role::Receiver && placed.sealed && placed.closed && placed.item.is_some()
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
        self.adjust();
        self.analyzer.restart();
        self.settle_receiver();
    }

    /// Changes the level at the mixer that the analyzer shows a decibel too low: a front end that is worn, or not.
    pub(super) fn set_compression(&mut self, level_dbm: f64) {
        self.catch_up();
        self.analyzer.compression_dbm = level_dbm;
    }

    /// Whole sweeps since the analyzer's measurement began, or its hold was begun anew.
    pub(super) fn swept(&mut self) -> u64 {
        self.catch_up();
        self.analyzer.swept()
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
        self.happens(Happening::SweepStarted);
        self.settle_receiver();
    }

    fn settle_receiver(&mut self) {
        // A fault in the middle may begin the measurement anew.
        for _ in 0..RESTARTS_MAX {
            let Some(left_s) = self.analyzer.remaining_s() else {
                return;
            };
            self.spend(left_s * (1.0 + 1e-12));
        }
    }

    /// The trace; a free-running analyzer without real time makes a sweep for it first.
    pub(super) fn levels_dbm(&mut self) -> Vec<f64> {
        self.catch_up();
        if self.analyzer.is_continuous() {
            self.spend(self.analyzer.settings.sweep_s());
        }
        let wrong_db = self.shown_wrong_db();
        let mut levels_dbm = self.analyzer.levels_dbm();
        levels_dbm.iter_mut().for_each(|level| *level += wrong_db);
        levels_dbm
    }

    /// Real time until an instrument has nothing pending; `None` when that is now.
    pub(super) fn pending(&mut self, port: Port) -> Option<Duration> {
        self.catch_up();
        let left_s = match port.role() {
            Role::Source => self.settled_s - self.clock.now_s(),
            Role::Receiver => self.analyzer.remaining_s()?,
            Role::PowerMonitor => return None,
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
