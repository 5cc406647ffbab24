//! The power monitor's SCPI commands: a power sensor at the coupled port behind the amplifier.
//!
//! `READ?`, `FETCh?`, `MEASure?` (all measure now, in dBm), `[SENSe]:FREQuency[:CW|FIXed]` (what the sensor corrects for),
//! `UNIT:POWer DBM` (no other), `INITiate[:IMMediate]`, `SYSTem:ERRor[:NEXT]?`, `SYSTem:ERRor:COUNt?`,
//! `SYSTem:LOCK:REQuest?|RELease`, `SYSTem:VERSion?`, `SYSTem:PRESet`, and the common commands.

use super::instrument::{Answer, PowerUnit, System, system};
use super::radio::SOURCE_RANGE_HZ;
use super::scpi::{Kind, Number, ScpiError, Unit, number};
use super::world::{MONITOR_RESET_HZ, Port, World};

/// The power monitor's commands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Command {
    Read,
    Initiate,
    Frequency,
    PowerUnit,
    System(System),
}

/// The headers.
pub(super) const TABLE: &[(&str, Command)] = &[
    ("READ", Command::Read),
    ("FETCh", Command::Read),
    ("MEASure", Command::Read),
    ("INITiate[:IMMediate]", Command::Initiate),
    ("[SENSe]:FREQuency[:CW|FIXed]", Command::Frequency),
    ("UNIT:POWer", Command::PowerUnit),
];

const FREQUENCY: Number = Number::new(Kind::Frequency, SOURCE_RANGE_HZ);

pub(super) fn reset(world: &mut World) {
    world.monitor_hz = MONITOR_RESET_HZ;
}

pub(super) fn execute(
    world: &mut World,
    command: Command,
    unit: &Unit,
    client: u64,
) -> Result<Answer, ScpiError> {
    match command {
        Command::System(command) => {
            return system(world, Port::PowerMonitor, command, unit, client);
        }
        Command::Read if unit.query => return Ok(number(world.coupled_dbm()).into()),
        Command::Frequency if unit.query => {
            return FREQUENCY.answer(unit, world.monitor_hz).map(Into::into);
        }
        Command::PowerUnit if unit.query => {
            return Ok(PowerUnit::default().name().to_owned().into());
        }
        Command::Frequency => world.monitor_hz = FREQUENCY.read(unit)?,
        Command::PowerUnit => {
            if PowerUnit::read(unit)? != PowerUnit::Dbm {
                return Err(ScpiError::new(-224, "this monitor knows DBM only"));
            }
        }
        Command::Initiate if !unit.query => {}
        Command::Read | Command::Initiate => {
            return Err(ScpiError::new(-113, &unit.spelled));
        }
    }
    Ok(Answer::Nothing)
}
