//! `muffle bench find`.

use std::time::Duration;

use clap::Args;
use comfy_table::Cell;
use serde_json::json;

use super::{CliError, print, print_json, table};
use crate::link::{Found, Framing, find, link};

/// Arguments of `bench find`.
#[derive(Debug, Args)]
pub(super) struct FindArgs {
    /// How many seconds to listen to the network.
    #[arg(long, default_value_t = 3)]
    seconds: u8,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

/// Something found, with its answer where it could be asked.
#[derive(Debug, serde::Serialize)]
struct Answered {
    #[serde(flatten)]
    found: Found,
    identity: Option<String>,
}

pub(super) async fn run(args: FindArgs) -> Result<u8, CliError> {
    let patience = Duration::from_secs(args.seconds.into());
    // The search waits on threads of its own.
    let (found, fault) = tokio::task::spawn_blocking(move || find(patience))
        .await
        .map_err(|error| CliError::Bench(format!("the search broke off: {error}")))?;
    if let Some(fault) = fault {
        eprintln!(
            "the local network could not be asked ({fault}); looking at this machine's own ports only"
        );
    }
    let mut answered = Vec::with_capacity(found.len());
    for found in found {
        let identity = match (&found.address, found.may_be_asked) {
            (Some(address), true) => ask_identity(address).await,
            _ => None,
        };
        answered.push(Answered { found, identity });
    }
    match args.json {
        true => print_json(&json!({ "found": answered }))?,
        false => print(&describe_found(&answered))?,
    }
    Ok(0)
}

/// `*IDN?`, which IEEE 488.2 (10.14) makes every instrument answer and which changes nothing.
async fn ask_identity(address: &str) -> Option<String> {
    const PATIENCE: Duration = Duration::from_secs(2);
    let framing = Framing {
        ends_with: "\n".to_owned(),
        prompt: None,
        echo: false,
        clear: None,
    };
    let mut link = link(&address.parse().ok()?, framing);
    let asking = async {
        link.send(b"*IDN?").await.ok()?;
        link.receive().await.ok()
    };
    let answer = tokio::time::timeout(PATIENCE, asking).await.ok()??;
    Some(String::from_utf8_lossy(&answer).trim().to_owned())
}

fn describe_found(found: &[Answered]) -> String {
    if found.is_empty() {
        return "nothing found. Instruments with a socket can be named by address all the same: tcp://HOST:5025"
            .to_owned();
    }
    let mut rows = table::table(&["address", "by", "describes itself as", "*IDN?"]);
    for Answered { found, identity } in found {
        rows.add_row(vec![
            Cell::new(found.address.as_deref().unwrap_or("–")),
            Cell::new(found.by),
            Cell::new(table::shown(&found.description)),
            Cell::new(identity.as_deref().map_or("–".to_owned(), table::shown)),
        ]);
    }
    let addresses: Vec<_> = found
        .iter()
        .filter_map(|answered| answered.found.address.as_deref())
        .collect();
    let mut text = table::trim_lines(&rows.to_string());
    text.push_str(&suggestion(&addresses));
    text
}

/// A station file to begin with: which address is which, and every limit, only a person can say.
fn suggestion(addresses: &[&str]) -> String {
    let address = |index: usize| json!(addresses.get(index).or(addresses.first()));
    format!(
        r#"

A station file to begin with. Which instrument is which, and every limit, you must say; `config/station.toml`
explains each line, and `muffle driver try DRIVER ADDRESS` tells whether a driver fits:

name = "my station"
distance = "1 m"

[source]
driver = "source-scpi"
address = {}
frequency = ["9 kHz", "3 GHz"]
level = ["-60 dBm", "13 dBm"]

[receiver]
driver = "analyzer-scpi"
address = {}
frequency = ["9 kHz", "3 GHz"]
damage_level = "20 dBm"

[safety]
feed_power_max = "0 dBm""#,
        address(0),
        address(1)
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{Drivers, Station};
    use std::path::Path;

    #[test]
    fn the_suggested_station_file_is_one() {
        for addresses in [
            &["tcp://192.0.2.1:5025"][..],
            &["tcp://192.0.2.1:5025", "serial:///dev/ttyS0"],
        ] {
            let said = suggestion(addresses);
            let text = &said[said.find("name =").expect("a file")..];
            Station::read("suggested", text, Drivers::Folder(Path::new(".")))
                .unwrap_or_else(|error| panic!("{error}"));
        }
    }
}
