//! Days in minutes: a job that comes again and again, and what the daemon needs for it.

use std::fs;
use std::time::Duration;

use muffle::store::{JobFilter, JobState, NewJob, Repeat};
use serde_json::json;

use crate::daemon::{Daemon, Site};

/// What a process holds at one moment.
#[derive(Debug, Clone, Copy)]
struct Needs {
    /// Memory of its own: what it holds of its program's file is the system's to take back, and grows with the program.
    own_kb: u64,
    handles: usize,
    /// Processor time used so far, in ticks of a hundredth of a second.
    ticks: u64,
}

fn needs(pid: u32) -> Needs {
    let status = fs::read_to_string(format!("/proc/{pid}/status")).expect("it runs");
    let own = status
        .lines()
        .find_map(|line| line.strip_prefix("RssAnon:"))
        .and_then(|rest| rest.split_whitespace().next()?.parse().ok());
    let stat = fs::read_to_string(format!("/proc/{pid}/stat")).expect("it runs");
    let (_, after_name) = stat.rsplit_once(')').expect("a name in brackets");
    let ticks = |field: usize| -> u64 {
        let word = after_name.split_whitespace().nth(field);
        word.expect("a field").parse().expect("a number")
    };
    Needs {
        own_kb: own.expect("a figure"),
        handles: fs::read_dir(format!("/proc/{pid}/fd"))
            .expect("it runs")
            .count(),
        // Fields 14 and 15 of proc(5), utime and stime; the name and its number are cut off.
        ticks: ticks(11) + ticks(12),
    }
}

/// The store without what SQLite keeps for later.
fn compact_bytes(site: &Site, number: u32) -> u64 {
    let copy = site.bench.path(&format!("copy-{number}.db"));
    site.runtime
        .block_on(site.store.back_up(&copy))
        .expect("copied");
    let bytes = fs::metadata(&copy).expect("a file").len();
    fs::remove_file(&copy).expect("removed");
    bytes
}

/// What the daemon needs while it has nothing to do.
fn idle(daemon: &Daemon, times: u32, when: &str) -> Needs {
    let time = Duration::from_secs(if times > 100 { 30 } else { 5 });
    let before = needs(daemon.pid());
    std::thread::sleep(time);
    let after = needs(daemon.pid());
    let share = (after.ticks - before.ticks) as f64 / (100.0 * time.as_secs_f64());
    println!(
        "idle {when}: {} kB of its own, {:.2} % of a core",
        after.own_kb,
        100.0 * share
    );
    // In five seconds on a busy machine a single tick more would be too much.
    assert!(times <= 100 || share < 0.005, "an idle daemon is busy");
    after
}

/// A check of the item every ten simulated minutes, so many times; a second of the clock on the wall for each.
fn soak(times: u32) {
    let site = Site::new(false);
    let daemon = site.serve();
    let fresh = idle(&daemon, times, "before it");
    assert!(fresh.own_kb < 16 * 1024, "an idle daemon is large");
    let done = || {
        let filter = JobFilter {
            state: Some(JobState::Done),
            ..JobFilter::default()
        };
        let jobs = site
            .runtime
            .block_on(site.store.jobs(&filter))
            .expect("jobs");
        u32::try_from(jobs.len()).expect("few")
    };
    site.submit(&NewJob {
        stays: true,
        repeat: Some(Repeat {
            every: "1 s".to_owned(),
            until: None,
            count: Some(times),
        }),
        ..site.job("A")
    });
    let mut seen = Vec::new();
    for third in 1..=3 {
        let wanted = times * third / 3;
        let mut before = done();
        site.wait_long("the soak goes on", || {
            let now = done();
            if now > before {
                site.bench
                    .ask(&json!({ "do": "advance", "seconds": 600 * (now - before) }));
                before = now;
            }
            now >= wanted
        });
        let now = needs(daemon.pid());
        let bytes = compact_bytes(&site, third);
        println!(
            "{:>5.1} h: {:>5} jobs, {:>6} kB of its own, {:>3} handles, {:>8} bytes kept",
            f64::from(done()) / 6.0,
            done(),
            now.own_kb,
            now.handles,
            bytes
        );
        seen.push((f64::from(done()), now, bytes as f64));
    }
    let (first, middle, last) = (seen[0], seen[1], seen[2]);
    // What is kept grows by the same for each job: what the middle third needed predicts the last.
    let predicted = middle.2 + (middle.2 - first.2) / (middle.0 - first.0) * (last.0 - middle.0);
    println!("predicted {predicted:.0} bytes, kept {:.0}", last.2);
    assert!((last.2 / predicted - 1.0).abs() < 0.1);
    assert!(last.1.handles <= middle.1.handles + 2, "handles grow");
    assert!(last.1.own_kb < middle.1.own_kb + 3 * 1024, "memory grows");
    idle(&daemon, times, "after it");
    site.nothing_is_lost();
}

#[test]
fn a_short_soak_needs_no_more_at_its_end_than_in_its_middle() {
    soak(9);
}

#[test]
#[ignore = "four minutes: 24 simulated hours"]
fn a_day_needs_no_more_at_its_end_than_in_its_middle() {
    soak(144);
}
