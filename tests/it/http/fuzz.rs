//! A fuzzer reads the OpenAPI document and sends whatever it can think of: nothing may end in a fault of ours,
//! and every answer must be one that the document describes.

use std::process::Command;

use muffle::daemon::access::Access;

use super::served::Daemon;
use crate::support::{Bench, plan};

/// What is looked at.
const CHECKS: &str = "not_a_server_error,status_code_conformance,content_type_conformance,\
    response_headers_conformance,response_schema_conformance,unsupported_method";

#[tokio::test(flavor = "multi_thread")]
#[ignore = "needs schemathesis, named by MUFFLE_SCHEMATHESIS"]
async fn a_fuzzer_finds_no_fault_of_ours() {
    let program = std::env::var_os("MUFFLE_SCHEMATHESIS").expect("MUFFLE_SCHEMATHESIS");
    let examples = std::env::var("MUFFLE_FUZZ_EXAMPLES").unwrap_or_else(|_| "20".to_owned());
    let seed = std::env::var("MUFFLE_FUZZ_SEED").unwrap_or_else(|_| "1".to_owned());
    let bench = Bench::start(3);
    bench.write("plan.toml", &plan(&["100 MHz"]));
    bench.shelf("F-1", 40.0);
    bench.measure("F-1").with(0, &[]);
    let (station, store) = (bench.path("station.toml"), bench.path("muffle.db"));
    let daemon = Daemon::over(&station, &store, Access::without_rates, &["100 MHz"]).await;
    let address = daemon.listen().await;
    let document = format!("http://{address}/api/v1/openapi.json");
    // By itself it would hardly ever name anything that is there.
    let known = format!(
        "[parameters]\n\"path.station\" = \"simulated bench at Tarn End\"\n\"path.run\" = {}\n\"path.serial\" = \"F-1\"\n",
        bench.latest()["run"]
    );
    bench.write("known.toml", &known);
    bench.write("nothing.toml", "");
    for config in ["nothing.toml", "known.toml"] {
        let (program, document) = (program.clone(), document.clone());
        let (seed, examples) = (seed.clone(), examples.clone());
        let folder = bench.folder.path().to_owned();
        let ended = tokio::task::spawn_blocking(move || {
            Command::new(program)
                .current_dir(folder)
                .args([
                    "--config-file",
                    config,
                    "run",
                    &document,
                    "--checks",
                    CHECKS,
                    "--seed",
                    &seed,
                ])
                .args([
                    "--max-examples",
                    &examples,
                    "--request-timeout",
                    "20",
                    "--no-color",
                ])
                // A stream has no end to wait for.
                .args(["--exclude-path", "/api/v1/events/stream"])
                .status()
        });
        let status = ended.await.expect("ended").expect("schemathesis");
        assert!(status.success(), "{config}: {status}");
    }
}
