//! The signal source's SCPI commands.
//!
//! `[SOURce]:FREQuency[:CW|FIXed]`, `[SOURce]:POWer[:LEVel][:IMMediate][:AMPLitude]`,
//! `[SOURce]:POWer[:LEVel][:IMMediate]:OFFSet` (added to what the level says, not to what comes out),
//! `OUTPut[:STATe]`, `UNIT:POWer DBM` (no other), `STATus:QUEStionable:POWer:CONDition?` (bit 0
//! unlevelled, bit 1 tripped by reverse power), `SYSTem:ERRor[:NEXT]?`, `SYSTem:ERRor:COUNt?`,
//! `SYSTem:LOCK:REQuest?|RELease`, `SYSTem:VERSion?`, `SYSTem:PRESet`, and the common commands. The
//! output is off after power-up and after `*RST`.

use super::instrument::{Answer, PowerUnit, System, system};
use super::radio::{SOURCE_RANGE_DBM, SOURCE_RANGE_HZ, Setting};
use super::scpi::{Kind, Number, ScpiError, Unit, boolean};
use super::world::{Port, World};

/// The source's commands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Command {
    Frequency,
    Level,
    Offset,
    Output,
    PowerUnit,
    Condition,
    System(System),
}

/// The headers.
pub(super) const TABLE: &[(&str, Command)] = &[
    ("[SOURce]:FREQuency[:CW|FIXed]", Command::Frequency),
    (
        "[SOURce]:POWer[:LEVel][:IMMediate][:AMPLitude]",
        Command::Level,
    ),
    ("[SOURce]:POWer[:LEVel][:IMMediate]:OFFSet", Command::Offset),
    ("OUTPut[:STATe]", Command::Output),
    ("UNIT:POWer", Command::PowerUnit),
    ("STATus:QUEStionable:POWer:CONDition", Command::Condition),
];

const FREQUENCY: Number = Number::new(Kind::Frequency, SOURCE_RANGE_HZ);
const OFFSET: Number = Number::new(Kind::Ratio, (-200.0, 200.0));

pub(super) fn reset(world: &mut World) {
    world.set_source(|setting| *setting = Setting::RESET);
    world.source_offset_db = 0.0;
}

pub(super) fn execute(
    world: &mut World,
    command: Command,
    unit: &Unit,
    client: u64,
) -> Result<Answer, ScpiError> {
    world.catch_up();
    let offset_db = world.source_offset_db;
    let (least, most) = SOURCE_RANGE_DBM;
    let level = Number::new(Kind::Level, (least + offset_db, most + offset_db));
    if unit.query {
        let setting = world.source;
        return match command {
            Command::Frequency => FREQUENCY.answer(unit, setting.frequency_hz).map(Into::into),
            Command::Level => level
                .answer(unit, setting.level_dbm + offset_db)
                .map(Into::into),
            Command::Offset => OFFSET.answer(unit, offset_db).map(Into::into),
            Command::Output => Ok(world.says_on().into()),
            Command::Condition => Ok(u64::from(world.source_condition()).into()),
            Command::PowerUnit => Ok(PowerUnit::default().name().to_owned().into()),
            Command::System(command) => system(world, Port::Source, command, unit, client),
        };
    }
    match command {
        Command::Frequency => {
            let frequency_hz = FREQUENCY.read(unit)?;
            world.set_source(|setting| setting.frequency_hz = frequency_hz);
        }
        Command::Level => {
            let level_dbm = level.read(unit)? - offset_db;
            world.set_source(|setting| setting.level_dbm = level_dbm);
        }
        Command::Offset => world.source_offset_db = OFFSET.read(unit)?,
        Command::Output => {
            let on = boolean(unit)?;
            world.set_source(|setting| setting.on = on);
        }
        Command::PowerUnit => {
            if PowerUnit::read(unit)? != PowerUnit::Dbm {
                return Err(ScpiError::new(-224, "this source knows DBM only"));
            }
        }
        Command::Condition => return Err(ScpiError::new(-113, &unit.spelled)),
        Command::System(command) => return system(world, Port::Source, command, unit, client),
    }
    Ok(Answer::Nothing)
}
