//! The spectrum analyzer's SCPI commands, the same by TCP and by the serial line.
//!
//! Frequencies: `[SENSe]:FREQuency:CENTer|SPAN|STARt|STOP`, `[SENSe]:FREQuency:SPAN:FULL`.
//! Sweep: `[SENSe]:SWEep:POINts|COUNt|TIME`, `[SENSe]:SWEep:TIME:AUTO`, `[SENSe]:SWEep:COUNt:CURRent?` (how many
//! sweeps since the measurement began or its hold was begun anew).
//! Bandwidths: `[SENSe]:BANDwidth|BWIDth[:RESolution][:AUTO]`, `:VIDeo[:AUTO]`.
//! Input: `INPut:ATTenuation[:AUTO]`, `INPut:GAIN:STATe`,
//! `DISPlay[:WINDow][:TRACe]:Y[:SCALe]:RLEVel`.
//! Detector and averaging: `[SENSe]:DETector[:FUNCtion] POSitive|NEGative|SAMPle|RMS|AVERage`,
//! `[SENSe]:AVERage[:STATe]|COUNt|TYPE|CLEar` (`MAXimum|MINimum|SCALar|VOLTage|RMS`; scalar
//! is the mean of the decibels), `[SENSe]:BANDwidth|BWIDth:VIDeo:SCALe POWer|VOLTage|LOGarithm`, a command of
//! this bench's own for what the video filter and the average detector average,
//! `DISPlay[:WINDow][:TRACe]:MODE WRITe|MAXHold|MINHold`.
//! Measuring: `INITiate[:IMMediate]`, `INITiate:CONTinuous`, `ABORt`, `TRACe[:DATA]? [TRACE1]`,
//! `FORMat[:DATA] ASCii|REAL,32|REAL,64`, `FORMat:BORDer NORMal|SWAPped`,
//! `UNIT:POWer DBM|DBUV|V|W`. Status: `STATus:QUEStionable:POWer[:EVENt]?|:CONDition?` (bit 0 mixer
//! overload, bit 1 above the screen), `STATus:QUEStionable|OPERation[:EVENt]?|:CONDition?|:ENABle`
//! (questionable bit 3 power; operation bit 3 sweeping), `STATus:PRESet`,
//! `SYSTem:LOCK:REQuest?|RELease`.

use super::fault::Fault;
use super::instrument::{Answer, PowerUnit, System, system};
use super::scpi::{Kind, Number, ScpiError, Unit, boolean, keyword, number, only};
use super::settings::{
    ATTENUATION_DB, AverageKind, COUNT_MAX, Detector, POINTS, RANGE_HZ, REFERENCE_DBM, SWEEP_S,
    Settings, TraceMode, VideoScale,
};
use super::world::{Port, World};

/// The receiver's commands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Command {
    Number(Quantity),
    Switch(Switch),
    Detector,
    VideoScale,
    AverageKind,
    AverageClear,
    SweepsDone,
    FullSpan,
    TraceMode,
    Format,
    Border,
    PowerUnit,
    Initiate,
    Continuous,
    Abort,
    Trace,
    Status(Register),
    StatusPreset,
    System(System),
}

/// Numeric settings.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Quantity {
    Centre,
    Span,
    Start,
    Stop,
    Points,
    SweepCount,
    SweepTime,
    Resolution,
    Video,
    Attenuation,
    Reference,
    AverageCount,
}

/// Settings that are on or off.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Switch {
    SweepTimeAuto,
    ResolutionAuto,
    VideoAuto,
    AttenuationAuto,
    Preamp,
    Averaging,
}

/// Status registers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Register {
    PowerEvent,
    PowerCondition,
    QuestionableEvent,
    QuestionableCondition,
    QuestionableEnable,
    OperationEvent,
    OperationCondition,
    OperationEnable,
}

/// The headers.
pub(super) const TABLE: &[(&str, Command)] = {
    use {Command as C, Quantity as Q, Register as R, Switch as S};
    &[
        ("[SENSe]:FREQuency:CENTer", C::Number(Q::Centre)),
        ("[SENSe]:FREQuency:SPAN", C::Number(Q::Span)),
        ("[SENSe]:FREQuency:SPAN:FULL", C::FullSpan),
        ("[SENSe]:FREQuency:STARt", C::Number(Q::Start)),
        ("[SENSe]:FREQuency:STOP", C::Number(Q::Stop)),
        ("[SENSe]:SWEep:POINts", C::Number(Q::Points)),
        ("[SENSe]:SWEep:COUNt", C::Number(Q::SweepCount)),
        ("[SENSe]:SWEep:COUNt:CURRent", C::SweepsDone),
        ("[SENSe]:SWEep:TIME", C::Number(Q::SweepTime)),
        ("[SENSe]:SWEep:TIME:AUTO", C::Switch(S::SweepTimeAuto)),
        (
            "[SENSe]:BANDwidth|BWIDth[:RESolution]",
            C::Number(Q::Resolution),
        ),
        (
            "[SENSe]:BANDwidth|BWIDth[:RESolution]:AUTO",
            C::Switch(S::ResolutionAuto),
        ),
        ("[SENSe]:BANDwidth|BWIDth:VIDeo", C::Number(Q::Video)),
        (
            "[SENSe]:BANDwidth|BWIDth:VIDeo:AUTO",
            C::Switch(S::VideoAuto),
        ),
        ("[SENSe]:BANDwidth|BWIDth:VIDeo:SCALe", C::VideoScale),
        ("INPut:ATTenuation", C::Number(Q::Attenuation)),
        ("INPut:ATTenuation:AUTO", C::Switch(S::AttenuationAuto)),
        ("INPut:GAIN:STATe", C::Switch(S::Preamp)),
        (
            "DISPlay[:WINDow][:TRACe]:Y[:SCALe]:RLEVel",
            C::Number(Q::Reference),
        ),
        ("DISPlay[:WINDow][:TRACe]:MODE", C::TraceMode),
        ("[SENSe]:DETector[:FUNCtion]", C::Detector),
        ("[SENSe]:AVERage[:STATe]", C::Switch(S::Averaging)),
        ("[SENSe]:AVERage:COUNt", C::Number(Q::AverageCount)),
        ("[SENSe]:AVERage:TYPE", C::AverageKind),
        ("[SENSe]:AVERage:CLEar", C::AverageClear),
        ("INITiate[:IMMediate]", C::Initiate),
        ("INITiate:CONTinuous", C::Continuous),
        ("ABORt", C::Abort),
        ("TRACe[:DATA]", C::Trace),
        ("FORMat[:DATA]", C::Format),
        ("FORMat:BORDer", C::Border),
        ("UNIT:POWer", C::PowerUnit),
        (
            "STATus:QUEStionable:POWer[:EVENt]",
            C::Status(R::PowerEvent),
        ),
        (
            "STATus:QUEStionable:POWer:CONDition",
            C::Status(R::PowerCondition),
        ),
        (
            "STATus:QUEStionable[:EVENt]",
            C::Status(R::QuestionableEvent),
        ),
        (
            "STATus:QUEStionable:CONDition",
            C::Status(R::QuestionableCondition),
        ),
        (
            "STATus:QUEStionable:ENABle",
            C::Status(R::QuestionableEnable),
        ),
        ("STATus:OPERation[:EVENt]", C::Status(R::OperationEvent)),
        (
            "STATus:OPERation:CONDition",
            C::Status(R::OperationCondition),
        ),
        ("STATus:OPERation:ENABle", C::Status(R::OperationEnable)),
        ("STATus:PRESet", C::StatusPreset),
    ]
};

/// Bit of the questionable register that sums up the power register.
const QUESTIONABLE_POWER: u16 = 1 << 3;
/// Bit of the operation register for a sweep under way.
const OPERATION_SWEEPING: u16 = 1 << 3;

/// How traces leave the instrument.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Format {
    data: Data,
    swapped: bool,
    unit: PowerUnit,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum Data {
    #[default]
    Ascii,
    Real32,
    Real64,
}

pub(super) fn reset(world: &mut World) {
    world.trace_format = Format::default();
    // SCPI-1999 resets INITiate:CONTinuous to OFF.
    world.set_receiver(|settings| {
        *settings = Settings {
            continuous: false,
            ..Settings::default()
        };
    });
    world.abort();
}

/// Event bits of the questionable and the operation registers, for the status byte.
pub(super) fn summaries(world: &mut World) -> (u16, u16) {
    world.catch_up();
    let questionable = match world.analyzer.event {
        0 => 0,
        _ => QUESTIONABLE_POWER,
    };
    (questionable, operation(world))
}

fn operation(world: &mut World) -> u16 {
    let sweeping = world.pending(Port::Receiver).is_some() || world.analyzer.is_continuous();
    u16::from(sweeping) * OPERATION_SWEEPING
}

pub(super) fn execute(
    world: &mut World,
    port: Port,
    command: Command,
    unit: &Unit,
    client: u64,
) -> Result<Answer, ScpiError> {
    world.catch_up();
    match command {
        Command::Number(quantity) if unit.query => query_number(world, quantity, unit),
        Command::Number(quantity) => set_number(world, quantity, unit),
        Command::Switch(switch) if unit.query => Ok(is_on(world, switch).into()),
        Command::Switch(switch) => set_switch(world, switch, boolean(unit)?),
        Command::Status(register) => status(world, port, register, unit),
        Command::System(command) => system(world, port, command, unit, client),
        Command::Trace if unit.query => trace(world, port, unit),
        Command::SweepsDone if unit.query => Ok(world.swept().into()),
        Command::SweepsDone => Err(ScpiError::new(-113, &unit.spelled)),
        Command::Trace => Err(ScpiError::new(-113, &unit.spelled)),
        _ if unit.query => query_word(world, command, unit),
        _ => set_word(world, command, unit),
    }
}

/// The limits of a quantity.
fn limits(quantity: Quantity) -> Number {
    let (kind, range) = match quantity {
        Quantity::Centre | Quantity::Start | Quantity::Stop => (Kind::Frequency, RANGE_HZ),
        Quantity::Span => (Kind::Frequency, (0.0, RANGE_HZ.1)),
        Quantity::Points => (Kind::Plain, (POINTS.0 as f64, POINTS.1 as f64)),
        Quantity::SweepCount | Quantity::AverageCount => (Kind::Plain, (1.0, f64::from(COUNT_MAX))),
        Quantity::SweepTime => (Kind::Time, SWEEP_S),
        Quantity::Resolution | Quantity::Video => (Kind::Frequency, (10.0, 3e6)),
        Quantity::Attenuation => (Kind::Ratio, (0.0, ATTENUATION_DB.0)),
        Quantity::Reference => (Kind::Level, REFERENCE_DBM),
    };
    Number::new(kind, range)
}

fn query_number(world: &mut World, quantity: Quantity, unit: &Unit) -> Result<Answer, ScpiError> {
    let settings = &world.analyzer.settings;
    let value = match quantity {
        Quantity::Centre => settings.centre_hz,
        Quantity::Span => settings.span_hz,
        Quantity::Start => settings.start_hz(),
        Quantity::Stop => settings.stop_hz(),
        Quantity::Points => settings.points as f64,
        Quantity::SweepCount => f64::from(settings.sweep_count),
        Quantity::SweepTime => settings.sweep_s(),
        Quantity::Resolution => settings.rbw_hz(),
        Quantity::Video => settings.vbw_hz(),
        Quantity::Attenuation => settings.attenuation_db(),
        Quantity::Reference => settings.reference_dbm,
        Quantity::AverageCount => f64::from(settings.average_count),
    };
    let whole = matches!(
        quantity,
        Quantity::Points | Quantity::SweepCount | Quantity::AverageCount
    );
    match whole && unit.parameters.is_empty() {
        true => Ok((value as u64).into()),
        false => limits(quantity).answer(unit, value).map(Into::into),
    }
}

fn set_number(world: &mut World, quantity: Quantity, unit: &Unit) -> Result<Answer, ScpiError> {
    let value = limits(quantity).read(unit)?;
    world.set_receiver(|settings| match quantity {
        Quantity::Centre => tune(settings, value, settings.span_hz),
        Quantity::Span => {
            settings.span_hz = value;
            tune(settings, settings.centre_hz, value);
        }
        Quantity::Start => edges(settings, value, settings.stop_hz().max(value)),
        Quantity::Stop => edges(settings, settings.start_hz().min(value), value),
        Quantity::Points => settings.points = value.round() as usize,
        Quantity::SweepCount => settings.sweep_count = value.round() as u32,
        Quantity::SweepTime => settings.sweep_s = Some(value),
        Quantity::Resolution => settings.rbw_hz = Some(Settings::available_hz(value)),
        Quantity::Video => settings.vbw_hz = Some(Settings::available_hz(value)),
        Quantity::Attenuation => {
            let step = ATTENUATION_DB.1;
            settings.attenuation_db = Some((value / step).round() * step);
        }
        Quantity::Reference => settings.reference_dbm = value,
        Quantity::AverageCount => settings.average_count = value.round() as u32,
    });
    Ok(Answer::Nothing)
}

/// Moves the centre; the span shrinks where it would leave the range.
pub(super) fn tune(settings: &mut Settings, centre_hz: f64, span_hz: f64) {
    let room_hz = 2.0 * (centre_hz - RANGE_HZ.0).min(RANGE_HZ.1 - centre_hz);
    settings.centre_hz = centre_hz;
    settings.span_hz = span_hz.min(room_hz);
}

fn edges(settings: &mut Settings, start_hz: f64, stop_hz: f64) {
    settings.centre_hz = (start_hz + stop_hz) / 2.0;
    settings.span_hz = stop_hz - start_hz;
}

fn is_on(world: &World, switch: Switch) -> bool {
    let settings = &world.analyzer.settings;
    match switch {
        Switch::SweepTimeAuto => settings.sweep_s.is_none(),
        Switch::ResolutionAuto => settings.rbw_hz.is_none(),
        Switch::VideoAuto => settings.vbw_hz.is_none(),
        Switch::AttenuationAuto => settings.attenuation_db.is_none(),
        Switch::Preamp => settings.preamp,
        Switch::Averaging => settings.averaging,
    }
}

fn set_switch(world: &mut World, switch: Switch, on: bool) -> Result<Answer, ScpiError> {
    world.set_receiver(|settings| {
        let auto = |manual: f64| (!on).then_some(manual);
        match switch {
            Switch::SweepTimeAuto => settings.sweep_s = auto(settings.sweep_s()),
            Switch::ResolutionAuto => settings.rbw_hz = auto(settings.rbw_hz()),
            Switch::VideoAuto => settings.vbw_hz = auto(settings.vbw_hz()),
            Switch::AttenuationAuto => settings.attenuation_db = auto(settings.attenuation_db()),
            Switch::Preamp => settings.preamp = on,
            Switch::Averaging => settings.averaging = on,
        }
    });
    Ok(Answer::Nothing)
}

const DETECTORS: [(&str, Detector); 5] = [
    ("POSitive", Detector::Positive),
    ("NEGative", Detector::Negative),
    ("SAMPle", Detector::Sample),
    ("RMS", Detector::Rms),
    ("AVERage", Detector::Average),
];
/// The detector of that name, if there is one.
pub(super) fn detector(name: &str) -> Option<Detector> {
    keyword(name, &DETECTORS).ok()
}

const SCALES: [(&str, VideoScale); 3] = [
    ("POWer", VideoScale::Power),
    ("VOLTage", VideoScale::Voltage),
    ("LOGarithm", VideoScale::Logarithm),
];
const KINDS: [(&str, AverageKind); 5] = [
    ("MAXimum", AverageKind::Maximum),
    ("MINimum", AverageKind::Minimum),
    ("SCALar", AverageKind::Scalar),
    ("VOLTage", AverageKind::Voltage),
    ("RMS", AverageKind::Rms),
];
const MODES: [(&str, TraceMode); 3] = [
    ("WRITe", TraceMode::Write),
    ("MAXHold", TraceMode::MaxHold),
    ("MINHold", TraceMode::MinHold),
];

/// The short form of the word that a table gives a value.
fn word<C: PartialEq>(table: &[(&str, C)], value: &C) -> String {
    let named = table.iter().find(|(_, one)| one == value);
    let (long, _) = named.unwrap_or(&table[0]);
    long.chars().filter(|c| !c.is_lowercase()).collect()
}

fn query_word(world: &mut World, command: Command, unit: &Unit) -> Result<Answer, ScpiError> {
    let (settings, format) = (&world.analyzer.settings, &world.trace_format);
    let text = match command {
        Command::Detector => word(&DETECTORS, &settings.detector),
        Command::VideoScale => word(&SCALES, &settings.video_scale),
        Command::AverageKind => word(&KINDS, &settings.average_kind),
        Command::TraceMode => word(&MODES, &settings.trace_mode),
        Command::Continuous => u8::from(settings.continuous).to_string(),
        Command::PowerUnit => match world.forced_unit() {
            Some((unit, false)) => unit.to_owned(),
            _ => format.unit.name().to_owned(),
        },
        Command::Border => if format.swapped { "SWAP" } else { "NORM" }.to_owned(),
        Command::Format => match format.data {
            Data::Ascii => "ASC,0",
            Data::Real32 => "REAL,32",
            Data::Real64 => "REAL,64",
        }
        .to_owned(),
        _ => return Err(ScpiError::new(-113, &unit.spelled)),
    };
    Ok(text.into())
}

fn set_word(world: &mut World, command: Command, unit: &Unit) -> Result<Answer, ScpiError> {
    match command {
        Command::Detector => {
            let detector = keyword(only(unit)?, &DETECTORS)?;
            world.set_receiver(|settings| settings.detector = detector);
        }
        Command::VideoScale => {
            let scale = keyword(only(unit)?, &SCALES)?;
            world.set_receiver(|settings| settings.video_scale = scale);
        }
        Command::AverageKind => {
            let kind = keyword(only(unit)?, &KINDS)?;
            world.set_receiver(|settings| settings.average_kind = kind);
        }
        Command::TraceMode => {
            let mode = keyword(only(unit)?, &MODES)?;
            world.set_receiver(|settings| settings.trace_mode = mode);
        }
        Command::Continuous => {
            let continuous = boolean(unit)?;
            world.set_continuous(continuous);
        }
        Command::PowerUnit => world.trace_format.unit = PowerUnit::read(unit)?,
        Command::Border => {
            let table = [("NORMal", false), ("SWAPped", true)];
            world.trace_format.swapped = keyword(only(unit)?, &table)?;
        }
        Command::Format => world.trace_format.data = read_format(unit)?,
        _ => return act(world, command, unit),
    }
    Ok(Answer::Nothing)
}

/// Commands without parameters.
fn act(world: &mut World, command: Command, unit: &Unit) -> Result<Answer, ScpiError> {
    if !unit.parameters.is_empty() {
        return Err(ScpiError::new(-108, &unit.spelled));
    }
    match command {
        Command::FullSpan => world.set_receiver(|s| edges(s, RANGE_HZ.0, RANGE_HZ.1)),
        Command::AverageClear => world.set_receiver(|_| {}),
        Command::Abort => world.abort(),
        Command::StatusPreset => {
            let status = world.status(Port::Receiver);
            status.questionable_enable = 0;
            status.operation_enable = 0;
        }
        _ => {
            let busy = world.pending(Port::Receiver).is_some();
            if busy || world.analyzer.is_continuous() {
                return Err(ScpiError::new(-213, "a sweep is under way"));
            }
            world.start_single();
        }
    }
    Ok(Answer::Nothing)
}

fn read_format(unit: &Unit) -> Result<Data, ScpiError> {
    let bad = || {
        ScpiError::new(
            -224,
            format!("{} {}", unit.spelled, unit.parameters.join(",")),
        )
    };
    let (kind, length) = match unit.parameters.as_slice() {
        [] => return Err(ScpiError::new(-109, &unit.spelled)),
        [kind] => (kind, None),
        [kind, length] => (kind, Some(length.as_str())),
        _ => return Err(ScpiError::new(-108, &unit.spelled)),
    };
    let real = keyword(kind, &[("ASCii", false), ("REAL", true)])?;
    match (real, length) {
        (false, _) => Ok(Data::Ascii),
        (true, None | Some("32")) => Ok(Data::Real32),
        (true, Some("64")) => Ok(Data::Real64),
        _ => Err(bad()),
    }
}

fn status(
    world: &mut World,
    port: Port,
    register: Register,
    unit: &Unit,
) -> Result<Answer, ScpiError> {
    let enable = Number::new(Kind::Plain, (0.0, 32767.0));
    world.catch_up();
    let (condition, operation) = (world.analyzer.condition, operation(world));
    if unit.query {
        let value = match register {
            Register::PowerCondition => condition,
            Register::PowerEvent => std::mem::take(&mut world.analyzer.event),
            Register::QuestionableCondition => u16::from(condition != 0) * QUESTIONABLE_POWER,
            Register::QuestionableEvent => summaries(world).0,
            Register::OperationCondition | Register::OperationEvent => operation,
            Register::QuestionableEnable => world.status(port).questionable_enable,
            Register::OperationEnable => world.status(port).operation_enable,
        };
        return Ok(u64::from(value).into());
    }
    let place = match register {
        Register::QuestionableEnable => &mut world.status(port).questionable_enable,
        Register::OperationEnable => &mut world.status(port).operation_enable,
        _ => return Err(ScpiError::new(-113, &unit.spelled)),
    };
    *place = enable.read(unit)?.round() as u16;
    Ok(Answer::Nothing)
}

fn trace(world: &mut World, port: Port, unit: &Unit) -> Result<Answer, ScpiError> {
    match unit.parameters.as_slice() {
        [] => {}
        [name] if name.eq_ignore_ascii_case("TRACE1") || name == "1" => {}
        [_] => return Err(ScpiError::new(-224, "this receiver has TRACE1 only")),
        _ => return Err(ScpiError::new(-108, &unit.spelled)),
    }
    let mut levels_dbm = world.levels_dbm();
    if world.traffic(port).take(Fault::WrongLength) {
        levels_dbm.pop();
    }
    let format = world.trace_format;
    let forced = world.forced_unit().map(|(unit, _)| PowerUnit::named(unit));
    let shown_in = forced.unwrap_or(format.unit);
    let values = levels_dbm.into_iter().map(|dbm| shown_in.of_dbm(dbm));
    Ok(Answer::Data(match format.data {
        Data::Ascii => {
            let words: Vec<String> = values.map(number).collect();
            words.join(",").into_bytes()
        }
        Data::Real32 => block(values.flat_map(|value| match format.swapped {
            true => (value as f32).to_le_bytes(),
            false => (value as f32).to_be_bytes(),
        })),
        Data::Real64 => block(values.flat_map(|value| match format.swapped {
            true => value.to_le_bytes(),
            false => value.to_be_bytes(),
        })),
    }))
}

/// Definite-length arbitrary block (IEEE 488.2, 8.7.9).
fn block(bytes: impl Iterator<Item = u8>) -> Vec<u8> {
    let data: Vec<u8> = bytes.collect();
    let length = data.len().to_string();
    let mut block = format!("#{}{length}", length.len()).into_bytes();
    block.extend(data);
    block
}
