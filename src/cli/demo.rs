//! `muffle demo`: the whole job on the simulated bench.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;

use clap::Args;
use serde_json::{Value, json};

use super::measure::{PictureKind, Task, Work, conduct, documents, draw, show};
use super::sim::station_text;
use super::{CliError, write_file};
use crate::config::{self, Plan, load_items};
use crate::report::RunDocument;
use crate::sim::control::Client;
use crate::sim::{BenchOptions, start};
use crate::station::Opening;
use crate::store::{RunKind, Store};

const PLAN: &str = r#"# The acceptance plan of Tarn End, a workshop that makes radio-quiet pouches, cases and cabinets for the
# quiet zone of the Skell Moor observatory. Workshop and observatory are invented.
name = "Skell Moor acceptance"
faces = ["front", "back"]
polarisations = ["horizontal", "vertical"]

[frequencies]
list = ["400 MHz", "750 MHz"]
start = "100 kHz"
stop = "1 GHz"
per_decade = 5

[settings]
source_level = "-10 dBm"
span = "20 kHz"
points = 201
resolution_bandwidth = "1 kHz"
attenuation = "10 dB"
detector = "peak"
sweeps = 10
settle = "1 ms"

[limit]
line = [["100 kHz", "50 dB"], ["1 GHz", "50 dB"]]
rule = "guarded"
"#;

/// Arguments of `demo`.
#[derive(Debug, Args)]
pub(super) struct DemoArgs {
    /// All errors, noise and ambient stations of the simulated bench follow from it.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Where the files, the database and the picture go.
    #[arg(long, default_value = "muffle-demo", value_name = "FOLDER")]
    folder: PathBuf,
    /// Print the runs as JSON, with the true SE beside every point.
    #[arg(long)]
    json: bool,
}

/// The files of a demo.
struct Files {
    station: PathBuf,
    plan: PathBuf,
    items: PathBuf,
    database: PathBuf,
    picture: PathBuf,
}

impl Files {
    fn within(folder: &Path) -> Result<Self, CliError> {
        std::fs::create_dir_all(folder).map_err(|error| {
            CliError::Store(format!(
                "cannot make the folder {}: {error}",
                folder.display()
            ))
        })?;
        Ok(Self {
            station: folder.join("station.toml"),
            plan: folder.join("plan.toml"),
            items: folder.join("items.toml"),
            database: folder.join("muffle.db"),
            picture: folder.join("result.png"),
        })
    }
}

pub(super) async fn run(args: DemoArgs) -> Result<u8, CliError> {
    let files = Files::within(&args.folder)?;
    let bench = start(BenchOptions {
        seed: args.seed,
        ..BenchOptions::default()
    })
    .await?;
    let addresses = bench.addresses().clone();
    let mut control = Client::connect(&addresses.control).await?;
    eprintln!("The simulated bench answers; nothing is really transmitted.");
    eprintln!(
        "  source    {}\n  receiver  {}",
        addresses.source.tcp, addresses.receiver.serial
    );
    // The source over a socket, the receiver over a serial line: one of each.
    let station = station_text(&bench, &addresses.receiver.serial, false)?;
    write_file(&files.station, station.as_bytes())?;
    write_file(&files.plan, PLAN.as_bytes())?;
    write_file(&files.items, items_text(&mut control).await?.as_bytes())?;

    let store = Store::open(&files.database).await?;
    let work = Work::Items {
        plan: Box::new(Plan::load(&files.plan)?),
        items: load_items(&files.items)?,
        // Another seed is another bench, even where its addresses happen to be the same.
        fresh_reference: true,
    };
    let station = config::Station::load(&files.station)?;
    let opening = Opening {
        // The simulated source ends with this process: there is nothing to go on trying for.
        trying_max: Duration::from_secs(2),
        ..Opening::by_this_program()
    };
    let runs = conduct(&store, station, &opening, Task::Work(work), None, None).await?;
    let mut documents = documents(&store, &runs).await?;
    add_truth(&mut control, &mut documents).await?;
    write_file(&files.picture, &draw(&documents, PictureKind::Png)?)?;
    let drawing = files.picture.with_extension("svg");
    write_file(&drawing, &draw(&documents, PictureKind::Svg)?)?;
    show(&documents, args.json)?;
    let reports = reports(&store, &documents, &args.folder).await?;
    store.close().await;
    bench.shutdown().await;
    say_where(&files, &drawing, &reports);
    Ok(0)
}

/// Reports on the first item, as a page and as paper.
async fn reports(
    store: &Store,
    documents: &[RunDocument],
    folder: &Path,
) -> Result<[PathBuf; 2], CliError> {
    let files = [folder.join("report.html"), folder.join("report.pdf")];
    if let Some(first) = documents.iter().find(|d| d.kind == RunKind::Item) {
        let record = store.find_run(&first.run).await?;
        let (page, paper) = super::report::plain(store, &record).await?;
        write_file(&files[0], page.as_bytes())?;
        write_file(&files[1], &paper)?;
    }
    Ok(files)
}

fn say_where(files: &Files, drawing: &Path, reports: &[PathBuf; 2]) {
    eprintln!(
        "\npicture   {} and {}",
        files.picture.display(),
        drawing.display()
    );
    eprintln!(
        "report    {} and {}",
        reports[0].display(),
        reports[1].display()
    );
    eprintln!("database  {}", files.database.display());
    eprintln!("\nLook further, for example:");
    let store = files.database.display();
    eprintln!("  muffle history --store {store}");
    eprintln!("  muffle show latest --budget --store {store}");
    eprintln!("  muffle report item P-0042 --language de --out bericht.pdf --store {store}");
    eprintln!("  sqlite3 {store} 'SELECT serial, frequency_mhz, se_text, verdict FROM se LIMIT 9'");
}

/// The item file of everything on the shelf of the bench.
async fn items_text(control: &mut Client) -> Result<String, CliError> {
    let answer = control.request(&json!({ "do": "items" })).await?;
    let mut text = "# The items on the shelf of the simulated bench.\n".to_owned();
    for item in answer["items"].as_array().into_iter().flatten() {
        let size: Vec<String> = item["size_m"]
            .as_array()
            .into_iter()
            .flatten()
            .filter_map(Value::as_f64)
            .map(|m| format!("{:.0}", m * 1000.0))
            .collect();
        text.push_str(&format!(
            "\n[[item]]\nserial = {}\nmodel = {}\nlot = {}\nsize = {}\nconstruction = {}\n",
            item["serial"],
            item["model"],
            item["lot"],
            json!(format!("{} mm", size.join(" x "))),
            item["construction"]
        ));
    }
    Ok(text)
}

/// Puts the true SE beside every point of an item.
async fn add_truth(control: &mut Client, documents: &mut [RunDocument]) -> Result<(), CliError> {
    for document in documents.iter_mut().filter(|d| d.kind == RunKind::Item) {
        let mut places: BTreeMap<(String, String), Vec<usize>> = BTreeMap::new();
        for (index, point) in document.points.iter().enumerate() {
            let place = (point.face.clone(), point.polarisation.clone());
            places.entry(place).or_default().push(index);
        }
        for ((face, polarisation), indices) in places {
            let hz: Vec<_> = indices
                .iter()
                .map(|i| document.points[*i].frequency_hz)
                .collect();
            let answer = control
                .request(&json!({ "do": "truth", "item": document.item, "face": face,
                                  "polarisation": polarisation, "frequency_hz": hz }))
                .await?;
            for (index, truth) in indices
                .iter()
                .zip(answer["true_se_db"].as_array().into_iter().flatten())
            {
                document.points[*index].true_se_db = truth.as_f64();
            }
        }
    }
    Ok(())
}
