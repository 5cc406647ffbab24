//! The handheld receiver's shell: the same analyzer, spoken to in words.
//!
//! It is there to prove that a driver file can describe a dialect that is not SCPI. The vocabulary is
//! this bench's own. Lines end in CR LF. Each line is echoed, then comes the answer, one or no line,
//! then the prompt `> ` (with a blank, without a line end). An unknown command answers `?`, a value
//! that it cannot take `! reason` and is also put among the faults. An empty line gives a new prompt;
//! Ctrl-C (byte 3) breaks off what is being sent.
//!
//! | line | answer |
//! |---|---|
//! | `who` | `Tarn End field receiver 0003` |
//! | `centre`, `span`, `rbw` | the value in Hz |
//! | `ref` | the reference level in dBm; the attenuation follows it, there is no other way to set it |
//! | `points` | the number of points |
//! | `hold` | `on` or `off` |
//! | `centre 100000000`, `span 10000`, `rbw 1000`, `rbw auto`, `ref -20` | `ok` |
//! | `points 201` | `ok`; 101, 201, 401 or 801 only |
//! | `hold on`, `hold off` | `ok`; either also empties the trace |
//! | `sweep 5` | `ok` when the five sweeps are done (1 to 1000); with hold on they add to the trace |
//! | `run`, `halt` | `ok`; sweep freely, or stop and keep the trace |
//! | `running` | `yes` while it sweeps freely, else `no` |
//! | `swept` | whole sweeps since it began to sweep, or since the trace was emptied |
//! | `list` | the levels in dBm, separated by commas, on one line |
//! | `over` | `yes` while the input is overdriven, else `no` |
//! | `faults` | `none`, or the oldest fault as `code,"text"`, which is then forgotten |
//! | `fresh` | `ok`; settings as at power-up, and stopped |

use super::fault::Fault;
use super::scpi::ScpiError;
use super::serve::idle;
use super::settings::{Detector, RANGE_HZ, REFERENCE_DBM, Settings, TraceMode};
use super::world::{Port, World};
use super::{Shared, receiver};

const PROMPT: &str = "> ";
const POINTS: [usize; 4] = [101, 201, 401, 801];
const SWEEPS_MAX: u32 = 1000;

/// Echo, answer and prompt for one line.
pub(super) async fn answer(shared: &Shared, line: &str) -> Vec<u8> {
    let mut out = format!("{line}\r\n");
    let words: Vec<&str> = line.split_whitespace().collect();
    if !words.is_empty() {
        let said = {
            let mut world = shared.world();
            world.traffic(Port::Handheld).commands += 1;
            command(&mut world, &words)
        };
        if words[0] == "sweep" && said == Ok("ok".into()) {
            idle(shared, Port::Handheld).await;
        }
        match said {
            Ok(text) => out.push_str(&text),
            Err(reason) => {
                out.push_str(&format!("! {reason}"));
                let error = ScpiError::new(-222, reason);
                shared.world().status(Port::Handheld).push(error);
            }
        }
        out.push_str("\r\n");
    }
    out.push_str(PROMPT);
    out.into_bytes()
}

/// The answer to one command, or why its value cannot be taken.
fn command(world: &mut World, words: &[&str]) -> Result<String, String> {
    let settings = &world.analyzer.settings;
    let text = match words {
        ["who"] => {
            let identity = world.traffic(Port::Handheld).identity.clone();
            identity.unwrap_or_else(|| "Tarn End field receiver 0003".into())
        }
        ["centre"] => format!("{:.0}", settings.centre_hz),
        ["span"] => format!("{:.0}", settings.span_hz),
        ["rbw"] => format!("{:.0}", settings.rbw_hz()),
        ["ref"] => format!("{:.1}", settings.reference_dbm),
        ["points"] => settings.points.to_string(),
        ["hold"] => if settings.trace_mode == TraceMode::MaxHold {
            "on"
        } else {
            "off"
        }
        .into(),
        ["list"] => list(world),
        ["over"] => {
            world.catch_up();
            if world.analyzer.condition != 0 {
                "yes"
            } else {
                "no"
            }
            .into()
        }
        ["faults"] => {
            let oldest = world.status(Port::Handheld).pop();
            if oldest.starts_with("0,") {
                "none".into()
            } else {
                oldest
            }
        }
        ["running"] => if world.analyzer.is_continuous() {
            "yes"
        } else {
            "no"
        }
        .into(),
        ["swept"] => world.swept().to_string(),
        ["run"] => {
            world.set_continuous(true);
            "ok".into()
        }
        ["halt"] => {
            world.set_continuous(false);
            "ok".into()
        }
        ["fresh"] => {
            receiver::reset(world);
            "ok".into()
        }
        [name, value] => return set(world, name, value),
        _ => "?".into(),
    };
    Ok(text)
}

fn list(world: &mut World) -> String {
    let mut levels = world.levels_dbm();
    if world.traffic(Port::Handheld).take(Fault::WrongLength) {
        levels.pop();
    }
    let words: Vec<String> = levels.iter().map(|level| format!("{level:.2}")).collect();
    words.join(",")
}

/// Carries out a command with a value.
fn set(world: &mut World, name: &str, value: &str) -> Result<String, String> {
    let number = || {
        let parsed: Option<f64> = value.parse().ok().filter(|it: &f64| it.is_finite());
        parsed.ok_or_else(|| format!("`{value}` is not a number"))
    };
    let within = |(least, most): (f64, f64)| {
        let value = number()?;
        let good = (least..=most).contains(&value);
        good.then_some(value)
            .ok_or_else(|| format!("{value} is not within {least} to {most}"))
    };
    match name {
        "centre" => {
            let centre_hz = within(RANGE_HZ)?;
            world.set_receiver(|settings| receiver::tune(settings, centre_hz, settings.span_hz));
        }
        "span" => {
            let span_hz = within((0.0, RANGE_HZ.1))?;
            world.set_receiver(|settings| receiver::tune(settings, settings.centre_hz, span_hz));
        }
        "rbw" if value == "auto" => world.set_receiver(|settings| settings.rbw_hz = None),
        "rbw" => {
            let rbw_hz = within((10.0, 3e6))?;
            world.set_receiver(|settings| settings.rbw_hz = Some(Settings::available_hz(rbw_hz)));
        }
        "ref" => {
            let reference_dbm = within(REFERENCE_DBM)?;
            world.set_receiver(|settings| settings.reference_dbm = reference_dbm);
        }
        "points" => {
            let points = POINTS
                .into_iter()
                .find(|points| points.to_string() == value);
            let points = points.ok_or("points are 101, 201, 401 or 801")?;
            world.set_receiver(|settings| settings.points = points);
        }
        "hold" => hold(world, value)?,
        "sweep" => {
            let sweeps = within((1.0, f64::from(SWEEPS_MAX)))? as u32;
            if world.analyzer.is_continuous() || world.pending(Port::Handheld).is_some() {
                return Err("sweeping already; `halt` first".into());
            }
            world.start_sweeps(sweeps);
        }
        _ => return Ok("?".into()),
    }
    Ok("ok".into())
}

fn hold(world: &mut World, value: &str) -> Result<(), String> {
    let mode = match value {
        "on" => TraceMode::MaxHold,
        "off" => TraceMode::Write,
        _ => return Err("hold is on or off".into()),
    };
    world.set_receiver(|settings| {
        settings.trace_mode = mode;
        settings.averaging = false;
        // This shell has no say over it, and a hold without a peak detector would miss peaks.
        settings.detector = Detector::Positive;
        settings.attenuation_db = None;
    });
    Ok(())
}
