//! The daemon as a process, with its queue: order, repeats, prompts, being killed and being told to end.

use std::fs::File;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use jiff::Timestamp;
use muffle::config::ItemEntry;
use muffle::store::{
    Answer, Asks, Change, JobFilter, JobId, JobKind, JobRecord, JobState, NewJob, PlanText,
    PromptRecord, Repeat, RunRecord, RunState, Store,
};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rustix::process::{Pid, Signal, kill_process};
use serde_json::json;
use tokio::runtime::Runtime;

use crate::support::{Bench, Ended, muffle, plan};

/// The longest that anything here may take.
const PATIENCE: Duration = Duration::from_secs(120);
/// Between two looks.
const LOOK: Duration = Duration::from_millis(20);
/// The station's name in the file that the bench writes.
pub const STATION: &str = "simulated bench at Tarn End";
/// Readings of the short plan's item run, and of its reference, at so many frequencies.
const FREQUENCIES: [&str; 3] = ["100 MHz", "200 MHz", "300 MHz"];

/// How far the clock on a daemon's wall is wrong, where that is played: a file in the bench's folder, as libfaketime
/// reads it.
pub const CLOCK: &str = "clock";

/// The library (libfaketime) that sets a daemon's clock wrong, where there is one.
pub fn faketime() -> Option<std::ffi::OsString> {
    std::env::var_os("MUFFLE_FAKETIME")
}

/// A bench, its store, and a daemon that may come and go.
pub struct Site {
    pub bench: Bench,
    pub store: Store,
    pub runtime: Runtime,
}

/// A daemon; killed when it is dropped.
pub struct Daemon {
    process: Child,
    log: PathBuf,
}

impl Site {
    /// With a placement command or, `by_hand`, without one.
    pub fn new(by_hand: bool) -> Self {
        Self::with(Bench::start(11), by_hand, &FREQUENCIES)
    }

    pub fn with(bench: Bench, by_hand: bool, frequencies: &[&str]) -> Self {
        let mut station = bench.station_text.clone();
        if by_hand {
            let begin = station.find("# The hook").expect("a placement");
            let end = station.find("[uncertainty]").expect("what follows it");
            station.replace_range(begin..end, "");
        }
        bench.write("station.toml", &station);
        bench.write("plan.toml", &plan(frequencies));
        bench.write(
            "daemon.toml",
            "[queue]\nprompt_max = \"60 s\"\nretry_wait = \"100 ms\"\npresence = \"500 ms\"\n",
        );
        for serial in ["A", "B", "C", "D"] {
            bench.shelf(serial, 40.0);
        }
        let runtime = Runtime::new().expect("a runtime");
        let store = runtime
            .block_on(Store::open(&bench.path("muffle.db")))
            .expect("a store");
        Self {
            bench,
            store,
            runtime,
        }
    }

    pub fn serve(&self) -> Daemon {
        let daemon = self.spawn("station.toml");
        self.wait("the daemon works", || daemon.said("serving "));
        daemon
    }

    pub fn spawn(&self, station: &str) -> Daemon {
        self.spawn_with(&[station], &[])
    }

    /// With several stations, and with these in its environment.
    pub fn spawn_with(&self, stations: &[&str], environment: &[(&str, &str)]) -> Daemon {
        let number = Timestamp::now().as_nanosecond();
        let log = self.bench.path(&format!("serve-{number}.log"));
        // A file beyond its limit is then an error and not the end: that is how a full disk is played.
        let mut command = Command::new("sh");
        command
            .args(["-c", "trap '' XFSZ; exec \"$@\"", "sh"])
            .arg(env!("CARGO_BIN_EXE_muffle"))
            .stdin(Stdio::null());
        if let (Some(library), clock) = (faketime(), self.bench.path(CLOCK))
            && clock.exists()
        {
            command
                .env("LD_PRELOAD", library)
                .env("FAKETIME_TIMESTAMP_FILE", clock)
                .env("FAKETIME_CACHE_DURATION", "1")
                .env("FAKETIME_DONT_FAKE_MONOTONIC", "1")
                .env("NO_FAKE_STAT", "1");
        }
        let process = command
            .args(["serve", "--store"])
            .arg(self.bench.path("muffle.db"))
            .args(stations.iter().flat_map(|station| {
                [
                    "--station".into(),
                    self.bench.path(station).into_os_string(),
                ]
            }))
            .envs(environment.iter().copied())
            .arg("--config")
            .arg(self.bench.path("daemon.toml"))
            .env("MUFFLE_LOG", "info")
            .stdout(Stdio::null())
            .stderr(File::create(&log).expect("a log"))
            .spawn()
            .expect("the daemon starts");
        Daemon { process, log }
    }

    pub fn job(&self, serial: &str) -> NewJob {
        let text = std::fs::read_to_string(self.bench.path("plan.toml")).expect("a plan");
        let plan = PlanText {
            name: "short".to_owned(),
            text,
        };
        NewJob {
            items: vec![ItemEntry {
                serial: serial.to_owned(),
                ..ItemEntry::default()
            }],
            ..NewJob::new(STATION, JobKind::Items, Some(plan))
        }
    }

    pub fn submit(&self, new: &NewJob) -> JobId {
        let submitted = self.store.submit(new, Timestamp::now());
        self.runtime.block_on(submitted).expect("put in")
    }

    pub fn change(&self, job: JobId, change: &Change) -> JobRecord {
        let changed = self.store.change_job(job, change, Timestamp::now());
        self.runtime.block_on(changed).expect("changed")
    }

    pub fn get(&self, job: JobId) -> JobRecord {
        self.runtime.block_on(self.store.job(job)).expect("a job")
    }

    pub fn run(&self, run: muffle::store::RunId) -> RunRecord {
        self.runtime.block_on(self.store.run(run)).expect("a run")
    }

    #[track_caller]
    pub fn wait(&self, what: &str, is_so: impl FnMut() -> bool) {
        wait_at_most(PATIENCE, what, is_so);
    }

    /// For campaigns.
    #[track_caller]
    pub fn wait_long(&self, what: &str, is_so: impl FnMut() -> bool) {
        wait_at_most(10 * PATIENCE, what, is_so);
    }

    #[track_caller]
    pub fn wait_for(&self, job: JobId, state: JobState) -> JobRecord {
        self.wait(&format!("job {job} is {state}"), || {
            let now = self.get(job);
            assert!(
                now.state == state || now.ended.is_none(),
                "waiting for {state}: {now:#?}"
            );
            now.state == state
        });
        self.get(job)
    }

    /// In any state before, ended or not.
    #[track_caller]
    pub fn wait_for_state(&self, job: JobId, state: JobState) -> JobRecord {
        self.wait(&format!("job {job} is {state}"), || {
            self.get(job).state == state
        });
        self.get(job)
    }

    #[track_caller]
    pub fn prompt(&self) -> PromptRecord {
        let open = || {
            let open = self.store.open_prompts(Some(STATION));
            self.runtime.block_on(open).expect("prompts").pop()
        };
        self.wait("somebody is asked", || open().is_some());
        open().expect("a prompt")
    }

    pub fn answer(&self, prompt: &PromptRecord, answer: Answer) {
        let answered = self
            .store
            .answer(prompt.id, answer, Some("Ada"), Timestamp::now());
        self.runtime.block_on(answered).expect("answered");
    }

    /// Moves things about as the prompt asks, then says so.
    pub fn lend_a_hand(&self) -> String {
        let prompt = self.prompt();
        let serial = ["A", "B", "C", "D"]
            .into_iter()
            .find(|serial| prompt.text.contains(&format!(" {serial},")));
        let place = match serial {
            Some(serial) => json!({ "do": "place", "item": serial, "face": "front",
                "polarisation": "vertical", "closed": true }),
            None => json!({ "do": "place", "item": null, "polarisation": "vertical" }),
        };
        self.bench.ask(&place);
        self.answer(&prompt, Answer::Done);
        prompt.text
    }

    /// Every reading that any event announced is in the store with its trace, and the file is whole.
    pub fn nothing_is_lost(&self) -> usize {
        self.runtime.block_on(async {
            let integrity = self.store.integrity().await.expect("checked");
            assert!(integrity.faults.is_empty(), "{:?}", integrity.faults);
            let (mut last, mut readings) = (0, 0);
            loop {
                let events = self
                    .store
                    .events_after(None, last, 1000)
                    .await
                    .expect("events");
                let Some(newest) = events.last() else {
                    return readings;
                };
                last = newest.id;
                for event in events.iter().filter(|event| event.kind == "reading") {
                    let key = serde_json::from_value(event.body["key"].clone()).expect("a key");
                    let run = event.run.expect("a run");
                    let kept = self.store.reading_with_trace(run, &key).await;
                    assert!(kept.expect("whole").is_some(), "{key} of {run} is lost");
                    readings += 1;
                }
            }
        })
    }
}

#[track_caller]
fn wait_at_most(patience: Duration, what: &str, mut is_so: impl FnMut() -> bool) {
    let begun = Instant::now();
    while !is_so() {
        assert!(begun.elapsed() < patience, "never: {what}");
        std::thread::sleep(LOOK);
    }
}

impl Daemon {
    pub fn pid(&self) -> u32 {
        self.process.id()
    }

    pub fn said(&self, words: &str) -> bool {
        self.log().contains(words)
    }

    pub fn log_path(&self) -> PathBuf {
        self.log.clone()
    }

    pub fn log(&self) -> String {
        std::fs::read_to_string(&self.log).unwrap_or_default()
    }

    pub fn kill(mut self) {
        self.process.kill().expect("killed");
        self.process.wait().expect("ended");
    }

    pub fn tell(&self, signal: Signal) {
        kill_process(Pid::from_child(&self.process), signal).expect("told");
    }

    /// Told to end; how long it took, and its exit code.
    pub fn end(mut self, signal: Signal) -> (Duration, Option<i32>) {
        let begun = Instant::now();
        self.tell(signal);
        let status = self.process.wait().expect("it ends");
        (begun.elapsed(), status.code())
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        // It may have ended before.
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

#[test]
fn jobs_are_done_in_their_order_and_each_but_once() {
    let site = Site::new(false);
    let a = site.submit(&site.job("A"));
    let later = NewJob {
        not_before: Some(Timestamp::now() + Duration::from_secs(3)),
        priority: 9,
        ..site.job("B")
    };
    let later = site.submit(&later);
    let first = site.submit(&NewJob {
        priority: 5,
        ..site.job("C")
    });
    let never = site.submit(&site.job("D"));
    site.change(never, &Change::Cancel);
    let _daemon = site.serve();
    let jobs: Vec<_> = [a, later, first]
        .into_iter()
        .map(|job| site.wait_for(job, JobState::Done))
        .collect();
    assert!(jobs[2].ended < jobs[0].ended, "the higher priority first");
    assert!(jobs[1].started >= jobs[1].not_before, "not before its time");
    assert_eq!(site.get(never).state, JobState::Cancelled);
    // The reference of the first serves them all.
    assert_eq!(jobs.iter().map(|job| job.runs.len()).sum::<usize>(), 4);
    for run in jobs.iter().flat_map(|job| &job.runs) {
        assert_eq!(site.run(*run).state, RunState::Complete);
    }
    assert!(site.nothing_is_lost() >= 9 + 3 * 6);
    site.bench.is_off();
}

#[test]
fn a_repeating_job_comes_again_as_often_as_it_should() {
    let site = Site::new(false);
    let _daemon = site.serve();
    let check = NewJob {
        kind: JobKind::CheckItem,
        repeat: Some(Repeat {
            every: "1 s".to_owned(),
            until: None,
            count: Some(3),
        }),
        ..site.job("A")
    };
    site.submit(&check);
    let done = || {
        let filter = JobFilter {
            state: Some(JobState::Done),
            ..JobFilter::default()
        };
        site.runtime
            .block_on(site.store.jobs(&filter))
            .expect("jobs")
    };
    site.wait("three are done", || done().len() == 3);
    let mut jobs = done();
    jobs.sort_by_key(|job| job.number);
    assert_eq!(
        jobs.iter().map(|job| job.number).collect::<Vec<_>>(),
        [1, 2, 3]
    );
    assert_eq!(jobs[2].follows, Some(jobs[1].id));
    assert!(jobs[1].started >= jobs[1].not_before);
    let open = JobFilter {
        open: true,
        ..JobFilter::default()
    };
    assert!(
        site.runtime
            .block_on(site.store.jobs(&open))
            .expect("jobs")
            .is_empty()
    );
}

#[test]
fn it_waits_for_hands_and_asks_only_for_what_does_not_stand_there() {
    let site = Site::new(true);
    let daemon = site.serve();
    let soak = NewJob {
        stays: true,
        repeat: Some(Repeat {
            every: "1 s".to_owned(),
            until: None,
            count: Some(3),
        }),
        ..site.job("A")
    };
    let first = site.submit(&soak);
    site.wait_for(first, JobState::Held);
    assert!(site.lend_a_hand().contains("out of the way"));
    assert!(site.lend_a_hand().contains("into A,"));
    site.wait_for(first, JobState::Done);
    // The repeats need nobody: the item stays.
    let all = || {
        let every = JobFilter::default();
        let jobs = site.store.jobs(&every);
        site.runtime.block_on(jobs).expect("jobs")
    };
    site.wait("three are done", || {
        all()
            .iter()
            .filter(|job| job.state == JobState::Done)
            .count()
            == 3
    });
    // Somebody who says stop at the prompt sets the job aside.
    let other = site.submit(&site.job("B"));
    let prompt = site.prompt();
    assert!(prompt.text.contains("into B,"), "{}", prompt.text);
    site.answer(&prompt, Answer::Stop);
    site.wait_for(other, JobState::Paused);
    // Killed while it waits, it asks again when it is back.
    site.change(other, &Change::Continue);
    site.prompt();
    daemon.kill();
    let asked = site.prompt().id;
    let _daemon = site.serve();
    site.wait("it asks anew", || site.prompt().id != asked);
    site.lend_a_hand();
    site.wait_for(other, JobState::Done);
}

/// A soak of item A that has been placed once; further repeats come every second.
fn soak(site: &Site, count: u32) {
    let new = NewJob {
        stays: true,
        repeat: Some(Repeat {
            every: "1 s".to_owned(),
            until: None,
            count: Some(count),
        }),
        ..site.job("A")
    };
    let first = site.submit(&new);
    assert!(site.lend_a_hand().contains("out of the way"));
    assert!(site.lend_a_hand().contains("into A,"));
    site.wait_for(first, JobState::Done);
}

fn done(site: &Site) -> usize {
    let filter = JobFilter {
        state: Some(JobState::Done),
        ..JobFilter::default()
    };
    let jobs = site.store.jobs(&filter);
    site.runtime.block_on(jobs).expect("jobs").len()
}

#[test]
fn what_stays_is_not_asked_for_again_by_the_next_daemon() {
    let site = Site::new(true);
    let daemon = site.serve();
    soak(&site, 200);
    let (_, code) = daemon.end(Signal::TERM);
    assert_eq!(code, Some(0));
    for _ in 0..2 {
        let before = done(&site);
        let daemon = site.serve();
        site.wait("the soak goes on", || done(&site) > before + 1);
        daemon.kill();
    }
    let asked = || {
        let events = site.store.events_after(None, 0, 10_000);
        let events = site.runtime.block_on(events).expect("events");
        events.iter().filter(|event| event.kind == "prompt").count()
    };
    assert_eq!(asked(), 2, "once for the open path, once for A");
}

#[test]
fn while_hands_are_awaited_what_needs_none_is_done_if_the_plan_allows_it() {
    let site = Site::new(true);
    let news = site.bench.path("news");
    let config = format!(
        "[queue]\nprompt_max = \"60 s\"\n[notify]\ncommand = [\"sh\", \"-c\", \"echo \\\"$1 $2\\\" >> {}\", \"sh\", \"{{kind}}\", \"{{text}}\"]\n",
        news.display()
    );
    site.bench.write("daemon.toml", &config);
    let _daemon = site.serve();
    soak(&site, 4);
    let plan = std::fs::read_to_string(site.bench.path("plan.toml")).expect("a plan");
    let other = site.submit(&NewJob {
        priority: 5,
        plan: Some(PlanText {
            name: "patient".to_owned(),
            text: format!("meanwhile = true\n{plan}"),
        }),
        ..site.job("B")
    });
    site.wait("the soak goes on to its end", || done(&site) == 4);
    let prompt = site.prompt();
    assert_eq!((prompt.job, prompt.asks), (other, Asks::Come));
    assert!(prompt.text.contains("into B,"), "{}", prompt.text);
    assert_eq!(site.get(other).attempt, 1, "what gave way is not counted");
    // Now somebody is there: nothing is sent until it is done.
    site.answer(&prompt, Answer::Done);
    site.wait("it is asked", || site.prompt().asks == Asks::Place);
    let soon = site.submit(&NewJob {
        stays: true,
        ..site.job("A")
    });
    std::thread::sleep(Duration::from_millis(300));
    assert_eq!(site.get(soon).state, JobState::Waiting);
    site.lend_a_hand();
    site.wait_for(other, JobState::Done);
    let told = std::fs::read_to_string(&news).expect("somebody was told");
    let come = |line: &&str| line.starts_with("prompt Come to the station");
    assert_eq!(told.lines().filter(come).count(), 1, "{told}");
}

#[test]
fn nobody_comes_and_the_queue_goes_on_without_them() {
    let site = Site::new(true);
    let news = site.bench.path("news");
    let config = format!(
        "[queue]\nprompt_max = \"300 ms\"\n[notify]\ncommand = [\"sh\", \"-c\", \"echo \\\"$1 $2\\\" >> {}\", \"sh\", \"{{kind}}\", \"{{text}}\"]\n",
        news.display()
    );
    site.bench.write("daemon.toml", &config);
    let _daemon = site.serve();
    let jobs = [site.submit(&site.job("A")), site.submit(&site.job("B"))];
    for job in jobs {
        let paused = site.wait_for(job, JobState::Paused);
        assert!(
            paused
                .reason
                .expect("a reason")
                .contains("nobody did what was asked")
        );
    }
    site.wait("people were told", || {
        let told = std::fs::read_to_string(&news).unwrap_or_default();
        told.lines()
            .filter(|line| line.starts_with("prompt Take everything"))
            .count()
            == 2
    });
    site.bench.is_off();
}

#[test]
fn the_webhook_is_told_and_a_deaf_one_holds_up_nobody() {
    use std::io::{Read, Write};
    let site = Site::new(true);
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a socket");
    let address = listener.local_addr().expect("bound");
    site.bench.write(
        "daemon.toml",
        &format!("[notify]\nwebhook = \"http://{address}/hook\"\n"),
    );
    let heard = std::thread::spawn(move || {
        let (mut stream, _) = listener.accept().expect("a call");
        stream.set_read_timeout(Some(PATIENCE)).expect("a socket");
        let (mut text, mut part) = (String::new(), [0; 4096]);
        while !text.contains("\"kind\"") {
            let count = stream.read(&mut part).expect("a request");
            assert!(count > 0, "{text}");
            text.push_str(&String::from_utf8_lossy(&part[..count]));
        }
        stream
            .write_all(b"HTTP/1.1 204 No Content\r\n\r\n")
            .expect("an answer");
        text
    });
    let _daemon = site.serve();
    let job = site.submit(&site.job("A"));
    let text = heard.join().expect("heard");
    assert!(text.starts_with("POST /hook "), "{text}");
    assert!(text.contains(r#""kind":"prompt""#), "{text}");
    // The listener is gone: nobody hears of the second prompt, and the job goes on.
    site.lend_a_hand();
    site.lend_a_hand();
    site.wait_for(job, JobState::Done);
}

#[test]
fn killed_in_mid_run_it_goes_on_and_no_reading_is_lost() {
    let site = Site::new(false);
    let mut random = StdRng::seed_from_u64(0x6d75_6666);
    let job = NewJob {
        items: ["A", "B"]
            .map(|serial| ItemEntry {
                serial: serial.to_owned(),
                ..ItemEntry::default()
            })
            .to_vec(),
        fresh_reference: true,
        ..site.job("A")
    };
    let job = site.submit(&job);
    let mut kills = 0;
    while site.get(job).state != JobState::Done {
        assert!(kills < 40, "it never gets done");
        let daemon = site.serve();
        let readings = site.nothing_is_lost() + random.random_range(0..6);
        site.wait("a few readings or the end", || {
            let newest = site.store.events_after(None, 0, 1000);
            let events = site.runtime.block_on(newest).expect("events");
            let made = events
                .iter()
                .filter(|event| event.kind == "reading")
                .count();
            made > readings || site.get(job).state == JobState::Done
        });
        std::thread::sleep(Duration::from_micros(random.random_range(0..20_000)));
        daemon.kill();
        site.nothing_is_lost();
        kills += 1;
    }
    let job = site.get(job);
    println!("{kills} kills; begun {} times", job.attempt);
    assert!(kills > 1);
    // One reference and one run for each item, however often it was killed.
    assert_eq!(job.runs.len(), 3, "{job:#?}");
    for run in &job.runs {
        assert_eq!(site.run(*run).state, RunState::Complete);
    }
    let readings: usize = job
        .runs
        .iter()
        .map(|run| {
            site.runtime
                .block_on(site.store.reading_keys(*run))
                .expect("keys")
                .len()
        })
        .sum();
    assert_eq!(readings, 9 + 6 + 6);
}

/// A state by name, and how a daemon gets into it.
type State = (&'static str, fn(&Site));

/// States in which the daemon is told to end.
fn states() -> [State; 4] {
    [
        ("idle", |_| {}),
        ("asking for hands", |site| {
            site.submit(&site.job("A"));
            site.prompt();
        }),
        ("measuring", |site| {
            let job = site.submit(&site.job("A"));
            site.lend_a_hand();
            site.wait("it measures", || site.nothing_is_lost() > 0);
            assert_eq!(site.get(job).state, JobState::Running);
        }),
        ("a receiver that hangs", |site| {
            site.submit(&site.job("A"));
            let prompt = site.prompt();
            site.bench
                .ask(&json!({ "do": "fault", "on": "receiver", "delay_ms": 60_000 }));
            site.answer(&prompt, Answer::Done);
            std::thread::sleep(Duration::from_millis(500));
        }),
    ]
}

#[test]
fn told_to_end_it_ends_in_good_order_from_any_state() {
    for (state, reach) in states() {
        for signal in [Signal::TERM, Signal::INT] {
            let site = Site::new(true);
            let daemon = site.serve();
            site.wait("the station is open", || daemon.said("the station is open"));
            reach(&site);
            let (took, code) = daemon.end(signal);
            println!("{state}, {signal:?}: ended after {took:?}");
            assert_eq!(code, Some(0), "{state}");
            site.bench.is_off();
            site.nothing_is_lost();
            let open = JobFilter {
                open: true,
                ..JobFilter::default()
            };
            for job in site.runtime.block_on(site.store.jobs(&open)).expect("jobs") {
                assert_eq!(job.state, JobState::Waiting, "{job:#?}");
            }
        }
    }
}

#[test]
fn two_daemons_never_own_one_station_nor_work_from_one_store() {
    let site = Site::new(false);
    let daemon = site.serve();
    site.wait("the station is open", || daemon.said("the station is open"));
    let refused = |station: &str, words: &str| {
        let mut second = site.spawn(station);
        let status = second.process.wait().expect("it ends");
        assert_eq!(status.code(), Some(4));
        assert!(second.said(words), "{}", second.log());
    };
    let owner = format!("{STATION} belongs to process {} (", daemon.pid());
    refused("station.toml", &owner);
    let other = Bench::start(12);
    let text = other.station_text.replace("Tarn End", "Skell Moor");
    site.bench.write("other.toml", &text);
    refused("other.toml", "a daemon works from it already (process ");
}

#[test]
fn measure_goes_through_the_daemon_and_shows_the_same() {
    let site = Site::new(false);
    let events = site.bench.path("events");
    let _daemon = site.serve();
    let ended: Ended = site
        .bench
        .measure_command("A")
        .arg("--json")
        .arg("--events")
        .arg(&events)
        .output()
        .expect("it runs")
        .into();
    let ended = ended.with(0, &["serves this station", "A: pass"]);
    let runs = ended.json();
    let kinds: Vec<_> = runs["runs"]
        .as_array()
        .expect("runs")
        .iter()
        .map(|run| run["kind"].clone())
        .collect();
    assert_eq!(kinds, ["reference", "item"]);
    let told = std::fs::read_to_string(&events).expect("events");
    assert_eq!(told.matches(r#""event":"reading""#).count(), 9 + 6);
    // Ctrl-C where nobody can be asked cancels the job.
    site.bench.write(
        "plan.toml",
        &plan(&[
            "10 MHz", "20 MHz", "30 MHz", "40 MHz", "50 MHz", "60 MHz", "70 MHz", "80 MHz",
        ]),
    );
    let following = site
        .bench
        .measure_command("B")
        .arg("--events")
        .arg(&events)
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .expect("it runs");
    site.wait("it measures", || {
        let told = std::fs::read_to_string(&events).unwrap_or_default();
        told.matches(r#""event":"reading""#).count() > 9 + 6
    });
    kill_process(Pid::from_child(&following), Signal::INT).expect("told");
    let ended: Ended = following.wait_with_output().expect("it ends").into();
    ended.with(4, &["muffle: stopped"]);
    let jobs = site
        .runtime
        .block_on(site.store.jobs(&JobFilter::default()))
        .expect("jobs");
    let states: Vec<_> = jobs.iter().map(|job| job.state).collect();
    assert_eq!(states, [JobState::Cancelled, JobState::Done]);
    site.bench.is_off();
}

#[test]
fn a_backup_is_made_while_it_measures() {
    let site = Site::new(false);
    let _daemon = site.serve();
    let job = site.submit(&site.job("A"));
    site.wait("it measures", || !site.get(job).runs.is_empty());
    let copy = site.bench.path("copy.db");
    let ended: Ended = muffle()
        .args(["store", "backup"])
        .arg(&copy)
        .arg("--store")
        .arg(site.bench.path("muffle.db"))
        .output()
        .expect("it runs")
        .into();
    ended.with(0, &[]);
    let copied = site.runtime.block_on(async {
        let store = Store::open_read_only(&copy).await.expect("it opens");
        let integrity = store.integrity().await.expect("checked");
        assert!(integrity.faults.is_empty());
        store.job(job).await.expect("the job is in it")
    });
    assert_eq!(copied.id, job);
    site.wait_for(job, JobState::Done);
}

#[test]
fn files_are_read_anew_where_that_is_safe() {
    let site = Site::new(false);
    let daemon = site.serve();
    site.wait("the station is open", || daemon.said("the station is open"));
    let text = site.bench.station_text.replace("33 dBm", "20 dBm");
    site.bench.write("station.toml", &text);
    daemon.tell(Signal::HUP);
    site.wait("it is read", || {
        daemon.said("is in force before anything is emitted")
    });
    let job = site.submit(&site.job("A"));
    let job = site.wait_for(job, JobState::Done);
    let run = site.run(job.runs[0]);
    let kept = site
        .runtime
        .block_on(site.store.snapshot(&run.station_sha))
        .expect("read");
    assert!(kept.expect("kept").text.contains("20 dBm"));
    site.bench
        .write("station.toml", &text.replace("Tarn End", "Skell Moor"));
    daemon.tell(Signal::HUP);
    site.wait("it says why not", || {
        daemon.said("another name needs a restart")
    });
}

#[test]
fn the_queue_is_worked_from_the_command_line() {
    let site = Site::new(false);
    let queue = |words: &[&str]| -> Ended {
        let mut command = muffle();
        command.arg("queue").args(words);
        command.env("MUFFLE_STORE", site.bench.path("muffle.db"));
        command.env("MUFFLE_STATION", site.bench.path("station.toml"));
        command.output().expect("it runs").into()
    };
    let plan = site.bench.path("plan.toml").display().to_string();
    let added = queue(&["--json", "add", &plan, "--item", "A", "--priority", "3"])
        .with(0, &["No daemon works from this store now"]);
    let id = added.json()["id"].as_str().expect("an id").to_owned();
    queue(&["pause", &id]).with(0, &[]);
    queue(&["retry", &id]).with(3, &["cannot retry job", "it is paused"]);
    queue(&["continue", &id]).with(0, &[]);
    queue(&["priority", &id, "-2"]).with(0, &[]);
    queue(&["pause"]).with(0, &[]);
    let listed = queue(&["--json"]).with(0, &[]).json();
    assert_eq!(listed["jobs"][0]["priority"], -2);
    assert_eq!(listed["jobs"][0]["state"], "waiting");
    assert!(queue(&[]).with(0, &[]).out.contains(&id));
    queue(&["answer"]).with(3, &["nobody is asked"]);
    queue(&["cancel", "01ZZ"]).with(3, &["there is no job `01ZZ`"]);
    queue(&["add", &plan, "--item", "A", "--every", "often"]).with(3, &["no way to repeat"]);
    queue(&["add", &plan]).with(3, &["it has no items"]);
    let daemon = site.serve();
    site.wait("the station is open", || daemon.said("the station is open"));
    let job: JobId = id.parse().expect("an id");
    assert_eq!(
        site.get(job).state,
        JobState::Waiting,
        "its queue is paused"
    );
    queue(&["continue"]).with(0, &[]);
    site.wait_for(job, JobState::Done);
}
