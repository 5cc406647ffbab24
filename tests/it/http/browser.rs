//! The page in a real browser: what an operator does from the first scan to the stop button.
//!
//! `MUFFLE_SCREENSHOTS=FOLDER` keeps a picture of every state in both themes, on a tablet and at 200 %;
//! `MUFFLE_AXE=axe.min.js` lets that script look for what shuts people out.

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

use axum::http::Method;
use fantoccini::wd::WebDriverCompatibleCommand;
use fantoccini::{Client, ClientBuilder, Locator};
use serde_json::{Value, json};
use tempfile::TempDir;
use url::Url;

use crate::support::{Bench, muffle, plan};

/// How long anything on the page may take to come, on a busy machine.
const PATIENCE: Duration = Duration::from_secs(60);
/// From the press of the button to the source that is off, ms.
const STOP_MS_MAX: i64 = 200;

/// A process that ends with the test.
struct Process(Child);

impl Drop for Process {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// `muffle serve` over the bench, where a person does the placing.
fn serve(bench: &Bench) -> (Process, String) {
    let (before, _) = bench
        .station_text
        .split_once("[placement]")
        .expect("a table");
    let station = bench.write("by-hand.toml", before);
    let slow = plan(&["300 MHz"])
        .replace("\"1 ms\"", "\"20 s\"")
        .replace("short", "slow");
    let plans = [
        bench.write(
            "short.toml",
            &plan(&["100 MHz", "250 MHz", "600 MHz", "1.2 GHz", "2.4 GHz"]),
        ),
        bench.write("slow.toml", &slow),
    ];
    let mut command = muffle();
    command.arg("serve").arg("--station").arg(station);
    command.arg("--store").arg(bench.path("muffle.db"));
    command.args(["--listen", "127.0.0.1:0"]);
    for plan in plans {
        command.arg("--plan").arg(plan);
    }
    let mut child = command
        .stderr(Stdio::piped())
        .spawn()
        .expect("serve starts");
    let stderr = child.stderr.take().expect("piped");
    let mut lines = BufReader::new(stderr).lines().map_while(Result::ok);
    let page = lines.find_map(|line| line.strip_prefix("page and API at ").map(str::to_owned));
    // Somebody must go on reading, or the daemon waits for room.
    std::thread::spawn(move || lines.for_each(|line| eprintln!("serve: {line}")));
    (Process(child), page.expect("an address"))
}

/// A browser with nothing in it, and the program that drives it.
struct Browser {
    client: Client,
    _driver: Process,
    _profile: TempDir,
}

impl Browser {
    async fn start() -> Self {
        let mut driver = std::process::Command::new("chromedriver")
            .arg("--port=0")
            .stdout(Stdio::piped())
            .spawn()
            .expect("chromedriver (Debian: chromium-driver)");
        let stdout = driver.stdout.take().expect("piped");
        let mut lines = BufReader::new(stdout).lines().map_while(Result::ok);
        let port = lines.find_map(|line| {
            let (_, port) = line.split_once("successfully on port ")?;
            Some(port.trim_end_matches('.').to_owned())
        });
        std::thread::spawn(move || lines.for_each(drop));
        let profile = TempDir::new().expect("a folder");
        let flags = [
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--window-size=1280,800",
        ];
        let mut flags: Vec<String> = flags.map(str::to_owned).to_vec();
        flags.push(format!("--user-data-dir={}", profile.path().display()));
        let capabilities = json!({ "goog:chromeOptions": { "args": flags } });
        let client = ClientBuilder::new(hyper_util::client::legacy::connect::HttpConnector::new())
            .capabilities(capabilities.as_object().expect("an object").clone())
            .connect(&format!("http://127.0.0.1:{}", port.expect("a port")))
            .await
            .expect("a browser");
        Self {
            client,
            _driver: Process(driver),
            _profile: profile,
        }
    }

    /// Waits until the element says what is wanted.
    async fn says(&self, css: &str, wanted: &str) {
        self.until(
            &format!("{css} to say {wanted:?}"),
            &format!(
                "return (document.querySelector({}) ?? {{}}).innerText?.toLowerCase().includes({})",
                json!(css),
                json!(wanted.to_lowercase())
            ),
        )
        .await;
    }

    /// Waits until the script answers with true.
    async fn until(&self, what: &str, script: &str) {
        let begin = Instant::now();
        while self.run(script).await != Value::Bool(true) {
            assert!(
                begin.elapsed() < PATIENCE,
                "waited for {what}: {}",
                self.text().await
            );
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    }

    async fn run(&self, script: &str) -> Value {
        self.client.execute(script, vec![]).await.expect("a script")
    }

    async fn text(&self) -> String {
        self.run("return document.body.innerText").await.to_string()
    }

    async fn click(&self, css: &str) {
        let element = self.client.find(Locator::Css(css)).await.expect(css);
        element.click().await.expect("clicked");
    }

    /// What a barcode scanner does: it types fast, and then Enter, wherever the focus is.
    async fn scan(&self, serial: &str) {
        let focused = self.client.active_element().await.expect("an element");
        focused
            .send_keys(&format!("{serial}\u{E007}"))
            .await
            .expect("typed");
    }

    async fn chrome(&self, cmd: &'static str, params: Value) {
        let command = Chrome { cmd, params };
        self.client.issue_cmd(command).await.expect(cmd);
    }

    /// Pictures of the page as it is: both themes, a tablet upright, 200 %.
    async fn picture(&self, name: &str) {
        let sizes = [
            ("wide", 1280, 900, 1),
            ("tablet", 820, 1180, 1),
            ("zoomed", 640, 450, 2),
        ];
        for (size, width, height, scale) in sizes {
            let metrics = json!({ "width": width, "height": height, "deviceScaleFactor": scale, "mobile": false });
            self.chrome("Emulation.setDeviceMetricsOverride", metrics)
                .await;
            let overflows = "return document.documentElement.scrollWidth > innerWidth";
            assert_eq!(
                self.run(overflows).await,
                false,
                "{name}, {size}: wider than the window"
            );
            let reachable = "const box = document.querySelector('#stop')?.getBoundingClientRect(); \
                return !box || (box.top >= 0 && box.bottom <= innerHeight && box.right <= innerWidth)";
            assert_eq!(
                self.run(reachable).await,
                true,
                "{name}, {size}: stop is out of sight"
            );
            for theme in ["light", "dark"] {
                let features = json!([{ "name": "prefers-color-scheme", "value": theme }]);
                self.chrome(
                    "Emulation.setEmulatedMedia",
                    json!({ "features": features }),
                )
                .await;
                if size == "wide" {
                    self.accessible(&format!("{name}, {theme}")).await;
                }
                if let Some(folder) = std::env::var_os("MUFFLE_SCREENSHOTS") {
                    let file = Path::new(&folder).join(format!("{name}-{size}-{theme}.png"));
                    let png = self.client.screenshot().await.expect("a picture");
                    std::fs::write(file, png).expect("written");
                }
            }
        }
        self.chrome("Emulation.clearDeviceMetricsOverride", json!({}))
            .await;
    }

    /// Fails on what the accessibility checker finds, where it is there.
    async fn accessible(&self, place: &str) {
        let Some(script) = std::env::var_os("MUFFLE_AXE") else {
            return;
        };
        let script = std::fs::read_to_string(script).expect("the checker");
        let ask = "const done = arguments[0]; axe.run({ resultTypes: ['violations'] }).then((found) => done( \
            found.violations.map((fault) => `${fault.id}: ${fault.nodes.map((node) => node.html + ' ' + node.failureSummary).join('; ')}`)))";
        self.client.execute(&script, vec![]).await.expect("loaded");
        let faults = self
            .client
            .execute_async(ask, vec![])
            .await
            .expect("checked");
        assert_eq!(faults, json!([]), "{place}");
    }
}

/// A command of the browser's own.
#[derive(Debug)]
struct Chrome {
    cmd: &'static str,
    params: Value,
}

impl WebDriverCompatibleCommand for Chrome {
    fn endpoint(&self, base: &Url, session: Option<&str>) -> Result<Url, url::ParseError> {
        base.join(&format!(
            "session/{}/goog/cdp/execute",
            session.unwrap_or_default()
        ))
    }

    fn method_and_body(&self, _: &Url) -> (Method, Option<String>) {
        let body = json!({ "cmd": self.cmd, "params": self.params });
        (Method::POST, Some(body.to_string()))
    }
}

/// The hands at the bench: does what the prompt asks, then says so.
async fn place(browser: &Browser, bench: &Bench, item: Option<&str>) {
    let asked = item.unwrap_or("out of the way");
    browser.says("#prompt:not([hidden])", asked).await;
    bench.ask(&json!({ "do": "place", "item": item, "closed": item.is_some() }));
}

#[tokio::test(flavor = "multi_thread")]
#[ignore = "needs Chromium and its driver (Debian: chromium, chromium-driver)"]
async fn an_operator_measures_reads_and_stops_from_the_page() {
    let bench = Bench::start(11);
    bench.shelf("B-7", 40.0);
    let (_daemon, page) = serve(&bench);
    let browser = Browser::start().await;
    browser.client.goto(&page).await.expect("the page");
    browser.says("#state", "output off").await;
    browser.picture("idle").await;

    measured(&browser, &bench).await;
    looked_up(&browser, &page).await;
    stopped(&browser, &bench, &page).await;
    let problems = browser.run("return performance.getEntriesByType('resource').map((r) => r.name).filter((n) => !n.startsWith(location.origin))").await;
    assert_eq!(problems, json!([]), "everything comes from the daemon");
    browser.client.close().await.expect("closed");
}

/// Submits by scanner, answers the prompts, sees the verdict.
async fn measured(browser: &Browser, bench: &Bench) {
    browser.scan("B-7").await;
    browser.says("#chosen", "B-7").await;
    browser.click("#start").await;
    place(browser, bench, None).await;
    browser.picture("prompt").await;
    browser.click("#done-button").await;
    place(browser, bench, Some("B-7")).await;
    browser.scan("X-1").await;
    browser.says("#said", "B-7 is asked for").await;
    browser.scan("B-7").await;
    browser.says("#results", "pass").await;
    browser.says("#done", "readings").await;
    browser.until("the picture of SE", "return document.querySelectorAll('#chart svg .measured, #chart svg .bound').length > 4").await;
    browser
        .until(
            "the newest trace",
            "return !!document.querySelector('#trace svg path.levels')",
        )
        .await;
    browser.picture("measured").await;
}

/// Opens history, a run, a point with its traces.
async fn looked_up(browser: &Browser, page: &str) {
    browser
        .client
        .goto(&format!("{page}history"))
        .await
        .expect("the history");
    browser.says("table", "pass").await;
    browser.picture("history").await;
    browser.click("tbody a").await;
    browser.says("h1", "B-7").await;
    browser.picture("run").await;
    browser.click("tbody a").await;
    browser.says("h2", "Traces").await;
    browser
        .until(
            "four traces",
            "return document.querySelectorAll('svg.trace').length >= 4",
        )
        .await;
    browser.picture("point").await;
    answered(browser, page).await;
}

/// What is asked of what was measured: theory by its form, a comparison by ticks, lots, the station's charts.
async fn answered(browser: &Browser, page: &str) {
    let open = async |path: &str| {
        let address = format!("{page}{path}");
        browser.client.goto(&address).await.expect("a page");
    };
    open("theory/slot").await;
    browser
        .run("document.querySelector('#length').value = '18 mm'")
        .await;
    browser.click("form.ask button").await;
    browser.says("main", "What theory gives").await;
    browser.says("tbody", "GHz").await;
    browser.picture("theory").await;
    open("layers").await;
    browser.picture("layers").await;
    open("lots").await;
    browser.says("main", "muffle lot new").await;
    browser.picture("lots").await;
    open("stations/simulated%20bench%20at%20Tarn%20End/stability").await;
    browser.says("h1", "moved?").await;
    browser.picture("stability").await;
    // A run ticked in the history is a side already; one alone cannot be compared, and the page says so.
    open("history").await;
    browser.click("tbody input[type=checkbox]").await;
    browser
        .run("document.querySelector('form[action=\"/compare\"]').submit()")
        .await;
    browser.says("[role=alert]", "1 sides").await;
    browser.picture("compare").await;
}

/// Presses stop while the source is on, by the button and by the key.
async fn stopped(browser: &Browser, bench: &Bench, page: &str) {
    for by_key in [false, true] {
        browser.client.goto(page).await.expect("the page");
        browser.says("#state", "output off").await;
        if by_key {
            browser.click("#continue").await;
        } else {
            browser
                .run("document.querySelector('#plan').value = 'slow'")
                .await;
            browser.scan("B-7").await;
            browser.click("#start").await;
        }
        place(browser, bench, None).await;
        browser.click("#done-button").await;
        on(bench).await;
        browser.says("#state", "transmitting").await;
        if !by_key {
            browser.picture("transmitting").await;
        }
        assert_eq!(
            bench.state()["source"]["on"],
            true,
            "still on when stop is pressed"
        );
        // The clock is the browser's, from the press itself: what drives the browser takes its own time.
        browser.run("for (const kind of ['pointerdown', 'keydown']) document.addEventListener(kind, () => { window.pressedAt ??= Date.now(); }, true); window.pressedAt = undefined").await;
        let pressed = Instant::now();
        match by_key {
            true => browser.scan_escape().await,
            false => browser.click("#stop").await,
        }
        while bench.state()["source"]["on"] != false {
            assert!(pressed.elapsed() < PATIENCE, "never off");
        }
        let off_at = jiff::Timestamp::now().as_millisecond();
        let pressed_at = browser.run("return window.pressedAt").await;
        let off_after = off_at - pressed_at.as_i64().expect("pressed");
        eprintln!(
            "stop by {}: off after {} ms",
            if by_key { "key" } else { "button" },
            off_after
        );
        assert!(off_after < STOP_MS_MAX, "off after {off_after} ms");
        browser.says("#state", "output off").await;
        browser.says("#why", "stopped by").await;
    }
    browser.picture("stopped").await;
}

impl Browser {
    async fn scan_escape(&self) {
        let focused = self.client.active_element().await.expect("an element");
        focused.send_keys("\u{E00C}").await.expect("pressed");
    }
}

/// Waits until the source is on.
async fn on(bench: &Bench) {
    let begin = Instant::now();
    while bench.state()["source"]["on"] != true {
        assert!(begin.elapsed() < PATIENCE, "never on");
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}
