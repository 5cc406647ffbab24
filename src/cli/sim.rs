//! `muffle sim`.

use std::path::PathBuf;

use clap::{Args, Subcommand};
use serde_json::{Value, json};

use super::measure::stop_on_signal;
use super::{CliError, print, write_file};
use crate::quantity::Frequency;
use crate::sim::control::Client;
use crate::sim::{Bench, BenchOptions, Pace, SimError, start};

/// Arguments of `sim`.
#[derive(Debug, Args)]
#[command(
    args_conflicts_with_subcommands = true,
    after_help = "Serves until it is told to stop (Ctrl-C, SIGTERM, or `stop` on the control port)."
)]
pub(super) struct SimArgs {
    #[command(subcommand)]
    what: Option<What>,
    #[command(flatten)]
    serve: ServeArgs,
}

#[derive(Debug, Args)]
struct ServeArgs {
    /// All errors, noise and ambient stations follow from it.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// How many times faster than real time sweeps go; without it nobody waits for a sweep.
    #[arg(long, value_name = "TIMES")]
    pace: Option<f64>,
    /// Source, receiver and control take this TCP port and the two after it.
    #[arg(long, value_name = "PORT")]
    port_base: Option<u16>,
    /// The TCP instruments accept one client at a time, as many real ones do.
    #[arg(long)]
    one_client: bool,
    /// Use the power sensor behind the amplifier: name it in the station file, and print its address.
    #[arg(long)]
    power_monitor: bool,
    /// Write a station file for this bench there.
    #[arg(long, value_name = "FILE")]
    station: Option<PathBuf>,
    /// Print the addresses as one line of JSON.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Put an item around the receive antenna, or nothing.
    Place(PlaceArgs),
    /// Print the true SE of an item.
    Truth(TruthArgs),
    /// List the items on the shelf.
    Items(ControlArg),
    /// Say whether the source is on, what is placed, and what each instrument was told.
    State(ControlArg),
    /// Send any request to the control port (`muffle sim ask ADDRESS '{"do":"state"}'`).
    Ask {
        /// Address of the control port.
        control: String,
        /// The request, as JSON.
        request: String,
    },
}

#[derive(Debug, Args)]
struct ControlArg {
    /// Address of the control port, as `muffle sim` printed it.
    #[arg(long, value_name = "ADDRESS")]
    control: String,
}

#[derive(Debug, Args)]
struct PlaceArgs {
    #[command(flatten)]
    control: ControlArg,
    /// Serial of the item; empty or absent for the open path.
    #[arg(long, default_value = "", allow_hyphen_values = true)]
    item: String,
    /// front, back, left, right, top or bottom; `open` with no item.
    #[arg(long, default_value = "front")]
    face: String,
    /// horizontal or vertical.
    #[arg(long, default_value = "vertical")]
    polarisation: String,
    /// open, closed, or sealed: closed around the receiver, which is then out of reach.
    #[arg(long, default_value = "closed", value_parser = ["open", "closed", "sealed"])]
    state: String,
}

#[derive(Debug, Args)]
struct TruthArgs {
    #[command(flatten)]
    control: ControlArg,
    /// Serial of the item.
    #[arg(long)]
    item: String,
    /// front, back, left, right, top or bottom.
    #[arg(long, default_value = "front")]
    face: String,
    /// horizontal or vertical.
    #[arg(long, default_value = "vertical")]
    polarisation: String,
    /// Frequencies, such as "100 MHz".
    #[arg(required = true)]
    frequencies: Vec<Frequency>,
}

impl From<SimError> for CliError {
    fn from(error: SimError) -> Self {
        match error {
            SimError::Option(_) | SimError::Refused(_) => Self::Input(error.to_string()),
            error => Self::Bench(error.to_string()),
        }
    }
}

pub(super) async fn run(args: SimArgs) -> Result<u8, CliError> {
    match args.what {
        None => serve(args.serve).await?,
        Some(What::Place(args)) => place(args).await?,
        Some(What::Truth(args)) => {
            let hz: Vec<_> = args.frequencies.iter().map(|f| f.hz()).collect();
            let request = json!({ "do": "truth", "item": args.item, "face": args.face,
                                  "polarisation": args.polarisation, "frequency_hz": hz });
            print(&ask(&args.control.control, &request).await?.to_string())?;
        }
        Some(What::Items(args)) => print(
            &ask(&args.control, &json!({"do": "items"}))
                .await?
                .to_string(),
        )?,
        Some(What::State(args)) => print(
            &ask(&args.control, &json!({"do": "state"}))
                .await?
                .to_string(),
        )?,
        Some(What::Ask { control, request }) => {
            let request: Value = serde_json::from_str(&request)
                .map_err(|error| CliError::Input(format!("the request is not JSON: {error}")))?;
            print(&ask(&control, &request).await?.to_string())?;
        }
    }
    Ok(0)
}

async fn ask(control: &str, request: &Value) -> Result<Value, CliError> {
    Ok(Client::connect(control).await?.request(request).await?)
}

async fn place(args: PlaceArgs) -> Result<(), CliError> {
    let item = Some(args.item).filter(|item| !item.is_empty());
    let mut request = json!({ "do": "place", "item": item, "polarisation": args.polarisation,
                              "closed": args.state != "open", "sealed": args.state == "sealed" });
    if item.is_some() {
        request["face"] = json!(args.face);
    }
    print(&ask(&args.control.control, &request).await?.to_string())
}

async fn serve(args: ServeArgs) -> Result<(), CliError> {
    let stop = stop_on_signal()?;
    let bench = start(BenchOptions {
        seed: args.seed,
        pace: args.pace.map_or(Pace::AtOnce, Pace::Times),
        port_base: args.port_base,
        one_client: args.one_client,
        ..BenchOptions::default()
    })
    .await?;
    let addresses = bench.addresses();
    if let Some(path) = &args.station {
        let text = station_text(&bench, &addresses.receiver.tcp, args.power_monitor)?;
        write_file(path, text.as_bytes())?;
    }
    match args.json {
        true => print(&json!(addresses).to_string())?,
        false => {
            let monitor = match args.power_monitor {
                true => format!("monitor   {}\n", addresses.power_monitor),
                false => String::new(),
            };
            print(&format!(
                "source    {}\nreceiver  {}\n          {}\n          {} (driver handheld-prompt)\n{monitor}control   {}",
                addresses.source.tcp,
                addresses.receiver.tcp,
                addresses.receiver.serial,
                addresses.receiver.handheld,
                addresses.control
            ))?;
        }
    }
    bench.run_until(stop.cancelled_owned()).await;
    Ok(())
}

/// A station file for a simulated bench, its items placed through the control port by this program.
pub(super) fn station_text(
    bench: &Bench,
    receiver: &str,
    has_monitor: bool,
) -> Result<String, CliError> {
    let program = std::env::current_exe().map_err(|error| {
        CliError::Bench(format!("cannot find this program's own file: {error}"))
    })?;
    Ok(bench.station_text(receiver, has_monitor, Some(&program)))
}
