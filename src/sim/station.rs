//! The station file of the bench: what its instruments, antennas and errors are, as their owner would write it down.

use std::path::Path;

use serde_json::json;

use super::analyzer::NOISE_FIGURE_DB;
use super::radio::antenna_table;
use super::world::COUPLING_DB;
use super::{Bench, BenchOptions, PlacementErrors};

impl BenchOptions {
    /// What the bench truly has of each cause. Its analyzer's scale is wrong by a curve within 0.15 dB, of which two
    /// places differ by 0.11 dB (standard deviation); the steps of the attenuator by up to 0.25 dB each; source and
    /// amplifier drift by a few hundredths of a decibel while a run lasts.
    pub fn uncertainty_text(&self) -> String {
        let PlacementErrors {
            closing_sd_db,
            position_db,
            antenna_vswr,
            receiver_vswr,
        } = self.errors;
        format!(
            r#"# What the bench really does wrong, and no more.
[uncertainty]
receiver_linearity = "0.19 dB"
attenuator_step = "0.35 dB"
antenna_vswr = {antenna_vswr:?}
receiver_vswr = {receiver_vswr:?}
source_drift = "0.05 dB"
position = "{position_db} dB"
repeatability = "{closing_sd_db} dB"
"#
        )
    }
}

impl Bench {
    /// A station file for this bench and one of its receivers, with the power monitor or without. Items are placed by
    /// `program`, or by hands where there is none.
    pub fn station_text(
        &self,
        receiver: &str,
        has_monitor: bool,
        program: Option<&Path>,
    ) -> String {
        // JSON's strings are TOML's basic strings too.
        let text = |value: &str| json!(value).to_string();
        let placement = program.map_or_else(String::new, |program| {
            format!(
                r#"
# The hook a turntable or a lid's actuator would use; here it moves the simulated items about.
[placement]
command = [{}, "sim", "place", "--control", {}, "--item={{item}}", "--face={{face}}", "--polarisation={{polarisation}}", "--state={{state}}"]
"#,
                text(&program.display().to_string()),
                text(&self.addresses.control),
            )
        });
        let monitor = has_monitor.then(|| {
            format!(
                r#"
# Behind the amplifier: what really goes to the antenna.
[power_monitor]
driver = "power-monitor-scpi"
address = {}
identity = "Simulated power monitor"
coupling = "{COUPLING_DB} dB"
"#,
                text(&self.addresses.power_monitor),
            )
        });
        format!(
            r#"# The simulated bench of muffle. Nothing is transmitted but numbers.
name = "simulated bench at Tarn End"
distance = "1 m"
# Source and receiver are each up to half a millionth off.
frequency_tolerance = 1e-6
placement_time = "100 ms"

[source]
driver = "source-scpi"
address = {source}
identity = "Simulated source"
frequency = ["9 kHz", "3 GHz"]
level = ["-60 dBm", "13 dBm"]

[receiver]
driver = "analyzer-scpi"
address = {receiver}
identity = "Simulated"
frequency = ["9 kHz", "3 GHz"]
damage_level = "20 dBm"
noise_figure = "{NOISE_FIGURE_DB} dB"

# Built into the receiver; where a plan says so, it is in.
[preamplifier]
gain = "20 dB"
noise_figure = "8 dB"

[amplifier]
gain = "40 dB"
input_max = "0 dBm"
{monitor}
[safety]
feed_power_max = "33 dBm"
path_loss_min = "12 dB"
{placement}
{uncertainty}
[transmit_antenna]
gain_table = "antenna.csv"
cable_loss = "0 dB"

[receive_antenna]
gain_table = "antenna.csv"
cable_loss = "0 dB"

# The gain of either antenna, from the bench's own calibration over its one metre.
[[table]]
name = "antenna.csv"
text = '''
{table}'''
"#,
            monitor = monitor.unwrap_or_default(),
            uncertainty = self.options.uncertainty_text(),
            table = antenna_table(),
            source = text(&self.addresses.source.tcp),
            receiver = text(receiver),
        )
    }
}
