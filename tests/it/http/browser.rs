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
const ENTER: char = '\r';
const ESCAPE: char = '\u{1b}';

/// A process that ends with the test.
struct Process(Child);

impl Drop for Process {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

const FIRST: &str = "simulated bench at Tarn End";
const SECOND: &str = "second bench";

/// `muffle serve` over the bench, and over a second one where there is, where a person does the placing.
fn serve(bench: &Bench, second: Option<&Bench>) -> (Process, String) {
    let by_hand = |text: &str| {
        text.split_once("[placement]")
            .expect("a table")
            .0
            .to_owned()
    };
    let mut stations = vec![bench.write("by-hand.toml", &by_hand(&bench.station_text))];
    if let Some(second) = second {
        let text = by_hand(&second.station_text).replace(FIRST, SECOND);
        stations.push(bench.write("second.toml", &text));
    }
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
    command.arg("serve");
    for station in stations {
        command.arg("--station").arg(station);
    }
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
        // Not under the band, where the driver would leave it.
        let center = format!(
            "document.querySelector({}).scrollIntoView({{ block: 'center' }})",
            json!(css)
        );
        self.run(&center).await;
        element.click().await.expect("clicked");
    }

    /// Presses keys, wherever the focus is.
    async fn keys(&self, keys: &str) {
        for key in keys.chars() {
            self.key(key, false).await;
        }
    }

    async fn key(&self, key: char, is_held: bool) {
        let mut press = match key {
            ENTER => json!({ "key": "Enter", "windowsVirtualKeyCode": 13, "text": "\r" }),
            ESCAPE => json!({ "key": "Escape", "windowsVirtualKeyCode": 27 }),
            key => json!({ "key": key.to_string(), "text": key.to_string() }),
        };
        press["type"] = "keyDown".into();
        press["autoRepeat"] = is_held.into();
        self.chrome("Input.dispatchKeyEvent", press.clone()).await;
        press["type"] = "keyUp".into();
        self.chrome("Input.dispatchKeyEvent", press).await;
    }

    /// What a barcode scanner does: it types, and then Enter, wherever the focus is.
    async fn scan(&self, serial: &str) {
        self.keys(&format!("{serial}{ENTER}")).await;
    }

    /// A scanner that types slower than many people do.
    async fn scan_slowly(&self, serial: &str) {
        for key in serial.chars().chain([ENTER]) {
            self.key(key, false).await;
            tokio::time::sleep(Duration::from_millis(120)).await;
        }
    }

    async fn click_when_enabled(&self, css: &str) {
        let enabled = format!(
            "return document.querySelector({}).disabled === false",
            json!(css)
        );
        self.until(&format!("{css} to take a press"), &enabled)
            .await;
        self.click(css).await;
    }

    /// Confirms a prompt by two presses.
    async fn confirm(&self) {
        self.click_when_enabled("#done-button").await;
        self.click_when_enabled("#go-button").await;
    }

    /// Lets the queue go on that a stop has paused.
    async fn go_on(&self) {
        self.says("#why", "stopped by").await;
        self.click("#continue").await;
    }

    /// They are asked for once a day, at each browser.
    async fn read_cautions(&self) {
        let asked = "return !document.querySelector('#caution').hidden";
        if self.run(asked).await == true {
            self.click("#cautioned").await;
        }
    }

    /// Has a slow plan measured, up to the source being on.
    async fn transmit(&self, bench: &Bench, serial: &str) {
        self.run("document.querySelector('#plan').value = 'slow'")
            .await;
        self.read_cautions().await;
        self.scan(serial).await;
        self.click("#start").await;
        place(self, bench, None).await;
        self.confirm().await;
        on(bench).await;
        self.says("#state", "transmitting").await;
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
                self.keep(&format!("{name}-{size}-{theme}")).await;
            }
        }
        self.chrome("Emulation.clearDeviceMetricsOverride", json!({}))
            .await;
    }

    /// Keeps a picture of the page as it is, if pictures are wanted.
    async fn keep(&self, name: &str) {
        if let Some(folder) = std::env::var_os("MUFFLE_SCREENSHOTS") {
            let file = Path::new(&folder).join(format!("{name}.png"));
            let png = self.client.screenshot().await.expect("a picture");
            std::fs::write(file, png).expect("written");
        }
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
    let (_daemon, page) = serve(&bench, None);
    let browser = Browser::start().await;
    browser.client.goto(&page).await.expect("the page");
    browser.says("#state", "output off").await;
    browser.picture("idle").await;

    measured(&browser, &bench, &page).await;
    looked_up(&browser, &page).await;
    stopped(&browser, &bench, &page).await;
    let problems = browser.run("return performance.getEntriesByType('resource').map((r) => r.name).filter((n) => !n.startsWith(location.origin))").await;
    assert_eq!(problems, json!([]), "everything comes from the daemon");
    browser.client.close().await.expect("closed");
}

/// Submits by scanner, answers the prompts, sees the verdict.
async fn measured(browser: &Browser, bench: &Bench, page: &str) {
    browser.scan("B-7").await;
    browser.says("#chosen", "B-7").await;
    browser.click("#start").await;
    browser.says("#said", "read the cautions").await;
    browser.picture("cautions").await;
    browser.read_cautions().await;
    browser.click("#start").await;
    place(browser, bench, None).await;
    asked_on_every_page(browser, page).await;
    browser.confirm().await;
    place(browser, bench, Some("B-7")).await;
    let emissions = bench.state()["emissions"].clone();
    mistaken(browser).await;
    assert_eq!(bench.state()["emissions"], emissions, "nothing was sent");
    // A scanner that reads twice.
    browser.scan(&format!("B-7{ENTER}B-7")).await;
    browser
        .until(
            "the prompt to go",
            "return document.querySelector('#prompt').hidden",
        )
        .await;
    assert_eq!(
        browser
            .run("return document.querySelectorAll('#chosen li').length")
            .await,
        0
    );
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

async fn asked_on_every_page(browser: &Browser, page: &str) {
    browser.picture("prompt").await;
    browser
        .client
        .goto(&format!("{page}history"))
        .await
        .expect("the history");
    browser.says("#strip", "operator needed").await;
    let title = browser.client.title().await.expect("a title");
    assert!(
        title.contains(&format!("Operator needed: {FIRST}")),
        "{title}"
    );
    browser.picture("prompt-elsewhere").await;
    browser.click("#strip a").await;
    browser
        .says("#prompt:not([hidden])", "out of the way")
        .await;
}

/// All that is no confirmation of B-7.
async fn mistaken(browser: &Browser) {
    let focused = browser.run("return document.activeElement.tagName").await;
    assert_eq!(focused, "BODY", "nothing takes the focus by itself");
    browser
        .says("#warning", "transmission starts at once")
        .await;
    let settled = "return document.querySelector('#done-button').disabled === false";
    browser.until("the prompt to settle", settled).await;
    browser.scan("X-1").await;
    browser
        .says("#refused", "`X-1` was read, but B-7 is asked for")
        .await;
    browser.picture("refused").await;
    browser.scan("B").await;
    browser.says("#refused", "`B` was read").await;
    browser.scan_slowly("B 9").await;
    browser.says("#refused", "`B 9` was read").await;
    // A blank and Enter, twice, on the button that has the focus.
    browser.until("the button", settled).await;
    browser
        .run("document.querySelector('#done-button').focus()")
        .await;
    for _ in 0..2 {
        browser.keys(&format!(" {ENTER}{ENTER}")).await;
    }
    // A key that is held down.
    browser.until("the button", settled).await;
    browser
        .run("document.querySelector('#done-button').focus()")
        .await;
    for n in 0..20 {
        browser.key(ENTER, n > 0).await;
    }
    // In the field of its own, too.
    browser.click("#scan").await;
    browser.scan(" ").await;
    browser.says("#refused", "nothing was read").await;
    browser.key(ESCAPE, false).await;
    // One press alone is none.
    browser.click_when_enabled("#done-button").await;
    browser.until("the first press to lapse", settled).await;
    assert_eq!(
        browser
            .run("return document.querySelector('#prompt').hidden")
            .await,
        false,
        "still asked"
    );
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
    browser.says("main [role=alert]", "1 sides").await;
    browser.picture("compare").await;
}

/// Presses stop while the source is on, by the button and by the key.
async fn stopped(browser: &Browser, bench: &Bench, page: &str) {
    for by_key in [false, true] {
        browser.client.goto(page).await.expect("the page");
        browser.says("#state", "output off").await;
        if by_key {
            browser.go_on().await;
            place(browser, bench, None).await;
            browser.confirm().await;
            on(bench).await;
            browser.says("#state", "transmitting").await;
        } else {
            browser.transmit(bench, "B-7").await;
            browser.picture("transmitting").await;
        }
        assert_eq!(
            bench.state()["source"]["on"],
            true,
            "still on when stop is pressed"
        );
        press_stop(browser, bench, by_key.then_some(ESCAPE), "#stop").await;
        browser.says("#state", "output off").await;
        browser.says("#why", "stopped by").await;
    }
    browser.picture("stopped").await;
}

/// Presses a key or a button; the source is off soon after.
async fn press_stop(browser: &Browser, bench: &Bench, key: Option<char>, button: &str) {
    // The clock is the browser's, from the press itself: what drives the browser takes its own time.
    browser.run("for (const kind of ['pointerdown', 'keydown']) document.addEventListener(kind, () => { window.pressedAt ??= Date.now(); }, true); window.pressedAt = undefined").await;
    let pressed = Instant::now();
    match key {
        Some(key) => browser.key(key, false).await,
        None => browser.click(button).await,
    }
    while bench.state()["source"]["on"] != false {
        assert!(pressed.elapsed() < PATIENCE, "never off");
    }
    let off_at = jiff::Timestamp::now().as_millisecond();
    let pressed_at = browser.run("return window.pressedAt").await;
    let off_after = off_at - pressed_at.as_i64().expect("pressed");
    eprintln!(
        "stop by {}: off after {off_after} ms",
        key.map_or(button, |_| "key")
    );
    assert!(off_after < STOP_MS_MAX, "off after {off_after} ms");
}

#[tokio::test(flavor = "multi_thread")]
#[ignore = "needs Chromium and its driver (Debian: chromium, chromium-driver)"]
async fn eight_tabs_show_two_stations_and_stop_either() {
    let (bench, other) = (Bench::start(11), Bench::start(12));
    bench.shelf("B-7", 40.0);
    other.shelf("C-1", 40.0);
    let (_daemon, page) = serve(&bench, Some(&other));
    let browser = Browser::start().await;
    let first = format!("{page}stations/simulated%20bench%20at%20Tarn%20End");
    let second = format!("{page}stations/second%20bench");
    for n in 0..8 {
        if n > 0 {
            let tab = browser.client.new_window(true).await.expect("a tab");
            browser
                .client
                .switch_to_window(tab.handle)
                .await
                .expect("in front");
        }
        let address = if n % 2 == 0 { &first } else { &second };
        browser.client.goto(address).await.expect("a page");
        browser.says("#state", "output off").await;
    }
    // The eighth tab is the second station's.
    browser.transmit(&other, "C-1").await;
    press_stop(&browser, &other, None, "#stop").await;
    browser.says("#state", "output off").await;

    browser.go_on().await;
    place(&browser, &other, None).await;
    browser.confirm().await;
    on(&other).await;
    browser
        .client
        .goto(&first)
        .await
        .expect("the other station");
    browser.says("#strip", "second bench: transmitting").await;
    browser.says("#state", "output off").await;
    browser.says("#results", "none yet").await;
    browser.picture("neighbour-transmits").await;
    // Esc in a field leaves the field; the button of this station leaves the neighbour alone.
    browser.click("#serial").await;
    browser.key(ESCAPE, false).await;
    browser.click("#stop").await;
    browser.says("#why", "stopped by").await;
    assert_eq!(other.state()["source"]["on"], true, "the neighbour goes on");
    press_stop(&browser, &other, None, "#stop-all").await;

    browser
        .client
        .goto(&second)
        .await
        .expect("the second station");
    browser.go_on().await;
    place(&browser, &other, None).await;
    browser.confirm().await;
    on(&other).await;
    drop(other);
    browser.says("#state", "state unknown").await;
    browser.click("#stop").await;
    browser.says("#stopped", "asking again").await;
    browser.picture("source-lost").await;
    browser.client.close().await.expect("closed");
}

#[tokio::test(flavor = "multi_thread")]
#[ignore = "needs Chromium and its driver (Debian: chromium, chromium-driver)"]
async fn stop_works_without_script() {
    let bench = Bench::start(11);
    bench.shelf("B-7", 40.0);
    let (_daemon, page) = serve(&bench, None);
    let browser = Browser::start().await;
    browser.client.goto(&page).await.expect("the page");
    browser.says("#state", "output off").await;
    browser.transmit(&bench, "B-7").await;
    let without = json!({ "value": true });
    browser
        .chrome("Emulation.setScriptExecutionDisabled", without)
        .await;
    browser.client.refresh().await.expect("the page anew");
    browser.says("#what", "stop works without").await;
    browser.keep("no-script").await;
    browser.click("#stop").await;
    browser.says("h1", "output off").await;
    browser
        .says("main", "the source confirmed that its output is off")
        .await;
    assert_eq!(bench.state()["source"]["on"], false);
    browser.keep("no-script-stopped").await;
    browser.client.close().await.expect("closed");
}

/// Waits until the source is on.
async fn on(bench: &Bench) {
    let begin = Instant::now();
    while bench.state()["source"]["on"] != true {
        assert!(begin.elapsed() < PATIENCE, "never on");
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}
