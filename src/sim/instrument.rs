//! One program message at an instrument: the IEEE 488.2 common commands, and the choice of the table
//! that reads the rest.

use super::scpi::{Kind, Number, ScpiError, Tree, Unit, keyword, only};
use super::world::{Port, Role, World};
use super::{monitor, receiver, source};

/// What one message unit leads to.
#[derive(Debug, PartialEq)]
pub(super) enum Answer {
    /// Done, nothing to say.
    Nothing,
    /// A response data element.
    Data(Vec<u8>),
    /// Nothing to say, but what follows waits until pending operations are done.
    Wait,
    /// Like `Wait`, then a response data element.
    DataWhenIdle(Vec<u8>),
}

impl From<String> for Answer {
    fn from(text: String) -> Self {
        Self::Data(text.into_bytes())
    }
}

impl From<u64> for Answer {
    fn from(number: u64) -> Self {
        number.to_string().into()
    }
}

impl From<bool> for Answer {
    fn from(on: bool) -> Self {
        u64::from(on).into()
    }
}

/// The header tables, built once.
#[derive(Debug)]
pub(super) struct Tables {
    source: Tree<source::Command>,
    receiver: Tree<receiver::Command>,
    monitor: Tree<monitor::Command>,
}

impl Tables {
    pub(super) fn new() -> Self {
        Self {
            source: tree(source::TABLE, source::Command::System),
            receiver: tree(receiver::TABLE, receiver::Command::System),
            monitor: tree(monitor::TABLE, monitor::Command::System),
        }
    }

    /// Carries out one unit that came in by a port, from a connection of that number.
    pub(super) fn execute(
        &self,
        world: &mut World,
        (port, client): (Port, u64),
        unit: &Unit,
    ) -> Result<Answer, ScpiError> {
        world.traffic(port).commands += 1;
        if !unit.query && world.is_locked_against(port, client) {
            return Err(ScpiError::new(-203, &unit.spelled));
        }
        if let Some(name) = &unit.common {
            return common(world, port, name, unit);
        }
        match port.role() {
            Role::Source => source::execute(world, self.source.find(unit)?, unit, client),
            Role::Receiver => {
                receiver::execute(world, port, self.receiver.find(unit)?, unit, client)
            }
            Role::PowerMonitor => monitor::execute(world, self.monitor.find(unit)?, unit, client),
        }
    }
}

/// The headers that every instrument of the bench knows.
const SYSTEM: [(&str, System); 6] = [
    ("SYSTem:ERRor[:NEXT]", System::Error),
    ("SYSTem:ERRor:COUNt", System::ErrorCount),
    ("SYSTem:VERSion", System::Version),
    ("SYSTem:PRESet", System::Preset),
    ("SYSTem:LOCK:REQuest", System::LockRequest),
    ("SYSTem:LOCK:RELease", System::LockRelease),
];

/// An instrument's own headers and those of all.
fn tree<C: Copy>(own: &[(&'static str, C)], system: impl Fn(System) -> C) -> Tree<C> {
    let of_all = SYSTEM.map(|(header, command)| (header, system(command)));
    Tree::new(&[own, &of_all].concat())
}

fn common(world: &mut World, port: Port, name: &str, unit: &Unit) -> Result<Answer, ScpiError> {
    let register = Number::new(Kind::Plain, (0.0, 255.0));
    let status_byte = status_byte(world, port);
    let status = world.status(port);
    let answer = match (name, unit.query) {
        ("IDN", true) => identity(world, port).into(),
        ("TST", true) => 0.into(),
        ("STB", true) => u64::from(status_byte).into(),
        ("ESR", true) => u64::from(std::mem::take(&mut status.event)).into(),
        ("ESE", true) => u64::from(status.event_enable).into(),
        ("SRE", true) => u64::from(status.request_enable).into(),
        ("OPC", true) => Answer::DataWhenIdle(b"1".to_vec()),
        ("ESE", false) => {
            status.event_enable = register.read(unit)?.round() as u8;
            return Ok(Answer::Nothing);
        }
        ("SRE", false) => {
            status.request_enable = register.read(unit)?.round() as u8;
            return Ok(Answer::Nothing);
        }
        ("CLS", false) => {
            status.clear();
            if port.role() == Role::Receiver {
                world.analyzer.event = 0;
            }
            Answer::Nothing
        }
        ("OPC", false) => {
            status.completing = true;
            settle_operation_complete(world, port);
            Answer::Nothing
        }
        ("WAI", false) => Answer::Wait,
        ("RST", false) => {
            reset(world, port);
            Answer::Nothing
        }
        _ => return Err(ScpiError::new(-113, &unit.spelled)),
    };
    match unit.parameters.is_empty() {
        true => Ok(answer),
        false => Err(ScpiError::new(-108, &unit.spelled)),
    }
}

/// `*RST`, `SYSTem:PRESet`.
pub(super) fn reset(world: &mut World, port: Port) {
    world.status(port).completing = false;
    match port.role() {
        Role::Source => source::reset(world),
        Role::Receiver => receiver::reset(world),
        Role::PowerMonitor => monitor::reset(world),
    }
}

/// Sets bit 0 of the event register once what `*OPC` waited for is over.
fn settle_operation_complete(world: &mut World, port: Port) {
    if world.status(port).completing && world.pending(port).is_none() {
        let status = world.status(port);
        status.completing = false;
        status.event |= 1;
    }
}

/// The status byte as a serial poll gives it, without its message bit.
pub(super) fn status_byte(world: &mut World, port: Port) -> u8 {
    settle_operation_complete(world, port);
    let (questionable, operation) = match port.role() {
        Role::Receiver => receiver::summaries(world),
        _ => (0, 0),
    };
    world.status(port).byte(questionable, operation)
}

fn identity(world: &mut World, port: Port) -> String {
    if let Some(identity) = &world.traffic(port).identity {
        return identity.clone();
    }
    match port.role() {
        Role::Source => "Tarn End,Simulated source,0001,1.0",
        Role::Receiver => "Tarn End,Simulated receiver,0002,1.0",
        Role::PowerMonitor => "Tarn End,Simulated power monitor,0003,1.0",
    }
    .to_owned()
}

/// The commands that every instrument has beside the common ones.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum System {
    Error,
    ErrorCount,
    Version,
    Preset,
    LockRequest,
    LockRelease,
}

/// Carries out a `SYSTem` command.
pub(super) fn system(
    world: &mut World,
    port: Port,
    command: System,
    unit: &Unit,
    client: u64,
) -> Result<Answer, ScpiError> {
    if !unit.parameters.is_empty() {
        return Err(ScpiError::new(-108, &unit.spelled));
    }
    match (command, unit.query) {
        (System::Error, true) => Ok(world.status(port).pop().into()),
        (System::ErrorCount, true) => Ok((world.status(port).error_count() as u64).into()),
        (System::Version, true) => Ok("1999.0".to_owned().into()),
        (System::Preset, false) => {
            reset(world, port);
            Ok(Answer::Nothing)
        }
        (System::LockRequest, true) => Ok(world.lock(port, client).into()),
        (System::LockRelease, false) => {
            world.unlock(port, client);
            Ok(Answer::Nothing)
        }
        _ => Err(ScpiError::new(-113, &unit.spelled)),
    }
}

/// The units that levels can be given and shown in, at 50 ohm.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) enum PowerUnit {
    #[default]
    Dbm,
    Dbuv,
    Volt,
    Watt,
}

impl PowerUnit {
    const NAMES: [(&'static str, Self); 4] = [
        ("DBM", Self::Dbm),
        ("DBUV", Self::Dbuv),
        ("V", Self::Volt),
        ("W", Self::Watt),
    ];

    pub(super) fn read(unit: &Unit) -> Result<Self, ScpiError> {
        keyword(only(unit)?, &Self::NAMES)
    }

    /// By its name; a name that there is not is dBm.
    pub(super) fn named(name: &str) -> Self {
        keyword(name, &Self::NAMES).unwrap_or_default()
    }

    pub(super) fn name(self) -> &'static str {
        let named = Self::NAMES.iter().find(|(_, unit)| *unit == self);
        named.map_or("DBM", |(name, _)| name)
    }

    /// A level in this unit. 1 mW in 50 ohm is 106.9897 dBuV.
    pub(super) fn of_dbm(self, dbm: f64) -> f64 {
        let watt = 10f64.powf(dbm / 10.0) / 1e3;
        match self {
            Self::Dbm => dbm,
            Self::Dbuv => dbm + 10.0 * 50f64.log10() + 90.0,
            Self::Volt => (watt * 50.0).sqrt(),
            Self::Watt => watt,
        }
    }
}
