//! What is left of a pulse behind a measured curve.

use std::path::PathBuf;

use clap::Args;
use comfy_table::Cell;

use super::{frequency, heading, item_run, save};
use crate::analysis::shield::pulse::{
    DoubleExponential, IEC_61000_2_9, PulseFigures, PulseResult, pulse,
};
use crate::cli::measure::picture_kind;
use crate::cli::{CliError, StoreArg, print, print_json, table};
use crate::report::{RunDocument, one_decimal, reason};
use crate::store::Store;

#[derive(Debug, Args)]
#[command(
    after_help = "The pulse is k E (exp(-at) - exp(-bt)); without options that of IEC 61000-2-9, early time (E1)."
)]
pub(super) struct PulseArgs {
    /// The run of an item.
    run: String,
    /// Nominal peak E, V/m.
    #[arg(long, default_value_t = IEC_61000_2_9.nominal_peak_v_per_m, value_name = "V/m")]
    peak: f64,
    /// Factor k that makes it the peak.
    #[arg(long, default_value_t = IEC_61000_2_9.factor)]
    factor: f64,
    /// Decay rate a, 1/s.
    #[arg(long, default_value_t = IEC_61000_2_9.decay_per_s, value_name = "1/s")]
    decay: f64,
    /// Rise rate b, 1/s, more than the decay rate.
    #[arg(long, default_value_t = IEC_61000_2_9.rise_per_s, value_name = "1/s")]
    rise: f64,
    #[command(flatten)]
    store: StoreArg,
    /// Write the waveforms there (.svg or .png).
    #[arg(long, value_name = "FILE")]
    picture: Option<PathBuf>,
    /// Print JSON, with the waveforms.
    #[arg(long)]
    json: bool,
}

pub(super) async fn run(args: PulseArgs) -> Result<u8, CliError> {
    let outside = DoubleExponential {
        nominal_peak_v_per_m: args.peak,
        factor: args.factor,
        decay_per_s: args.decay,
        rise_per_s: args.rise,
    };
    let kind = args.picture.as_deref().map(picture_kind).transpose()?;
    let store = Store::open_read_only(&args.store.store).await?;
    let document = item_run(&store, &args.run).await?;
    let residual = pulse(&reason::curve(&document), &outside)?;
    if let (Some(path), Some(kind)) = (&args.picture, kind) {
        save(path, kind, reason::pulse_graphs(&document, &residual))?;
    }
    match args.json {
        true => print_json(&residual)?,
        false => print(&describe_pulse(&document, &residual))?,
    }
    Ok(0)
}

fn describe_pulse(document: &RunDocument, said: &PulseResult) -> String {
    let mut rows = table::table(&["", "peak V/m", "rise ns", "width ns", "energy J/m²"]);
    let mut row = |name: &str, figures: &PulseFigures| {
        rows.add_row(vec![
            Cell::new(name),
            table::right(reason::field(figures.peak_v_per_m)),
            table::right(format!("{:.2}", figures.rise_s * 1e9)),
            table::right(format!("{:.2}", figures.width_s * 1e9)),
            table::right(format!("{:.2e}", figures.fluence_j_per_m2)),
        ]);
    };
    row("outside", &said.outside);
    row("inside", &said.inside);
    let least = said
        .peak_low_v_per_m
        .map_or("open".to_owned(), reason::field);
    let at_most = match said.at_most {
        true => "\nThe curve holds lower bounds, so every figure of the inside is an upper bound.",
        false => "",
    };
    format!(
        "{}\n\n{}\n\npeak inside from {least} to {} V/m over the ways to continue the curve, its uncertainty (up to ± {} dB) included; whatever the phase, at most {} V/m{at_most}\nmeasured from {} to {}, which holds {:.0} % of the pulse's energy\n\n{}\n{}; {}.",
        heading(document),
        table::trim_lines(&rows.to_string()),
        reason::field(said.peak_high_v_per_m),
        one_decimal(said.u_db),
        reason::field(said.any_phase_peak_v_per_m),
        frequency(said.measured_hz.0),
        frequency(said.measured_hz.1),
        100.0 * said.measured_energy_share,
        said.not_covered,
        said.basis.source,
        said.basis.validity
    )
}
