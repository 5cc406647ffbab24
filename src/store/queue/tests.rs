//! The queue against its promises: order, states, repeats, prompts, and an event for every change.

use super::*;
use crate::config::ItemEntry;
use crate::store::{Answer, Asks, RunKind, RunRecord};
use jiff::SignedDuration;
use tempfile::TempDir;

async fn store() -> (TempDir, Store) {
    let folder = TempDir::new().expect("a folder");
    let store = Store::open(&folder.path().join("muffle.db"))
        .await
        .expect("a new store");
    (folder, store)
}

fn at(seconds: i64) -> Timestamp {
    let start: Timestamp = "2026-01-31T09:00:00Z".parse().expect("a time");
    start + SignedDuration::from_secs(seconds)
}

fn of(serial: &str) -> NewJob {
    let plan = PlanText {
        name: "short".to_owned(),
        text: "name = \"short\"".to_owned(),
    };
    NewJob {
        items: vec![ItemEntry {
            serial: serial.to_owned(),
            ..ItemEntry::default()
        }],
        ..NewJob::new("bay", JobKind::Items, Some(plan))
    }
}

fn end(state: JobState) -> JobEnd {
    JobEnd {
        state,
        reason: None,
        not_before: None,
        again: None,
        gave_way: false,
    }
}

#[tokio::test]
async fn a_job_comes_back_as_it_was_put_in() {
    let (_folder, store) = store().await;
    let new = NewJob {
        operator: Some("Ada".to_owned()),
        priority: -3,
        not_before: Some(at(60)),
        stays: true,
        repeat: Some(Repeat {
            every: "1 h".to_owned(),
            until: Some(at(7200)),
            count: Some(4),
        }),
        ..of("P-1")
    };
    let id = store.submit(&new, at(0)).await.expect("put in");
    let job = store.job(id).await.expect("there");
    assert_eq!(job.items, new.items);
    assert_eq!(job.repeat, new.repeat);
    assert_eq!(job.not_before, new.not_before);
    assert_eq!((job.priority, job.stays, job.number), (-3, true, 1));
    assert_eq!((job.state, job.attempt), (JobState::Waiting, 0));
    let plan = store
        .snapshot(job.plan_sha.as_deref().expect("a plan"))
        .await;
    assert_eq!(plan.expect("read").expect("kept").text, "name = \"short\"");
    let found = store.find_job(&id.to_string()[..20].to_lowercase()).await;
    assert_eq!(found.expect("by its beginning").id, id);
}

#[tokio::test]
async fn open_jobs_are_listed_in_the_order_they_will_be_begun() {
    let (_folder, store) = store().await;
    let mut ids = Vec::new();
    for (second, priority) in [(0, 0), (1, 5), (2, 0), (3, 5)] {
        let new = NewJob {
            priority,
            ..of("P-1")
        };
        ids.push(store.submit(&new, at(second)).await.expect("put in"));
    }
    store.begin_job(ids[2], at(10)).await.expect("begun");
    let filter = JobFilter {
        open: true,
        ..JobFilter::default()
    };
    let listed: Vec<_> = store
        .jobs(&filter)
        .await
        .expect("jobs")
        .iter()
        .map(|job| job.id)
        .collect();
    assert_eq!(listed, [ids[2], ids[1], ids[3], ids[0]]);
    store
        .end_job(ids[2], &end(JobState::Done), at(20))
        .await
        .expect("ended");
    assert_eq!(store.jobs(&filter).await.expect("jobs").len(), 3);
    assert_eq!(
        store.jobs(&JobFilter::default()).await.expect("jobs").len(),
        4
    );
}

#[tokio::test]
async fn pages_of_jobs_follow_the_whole_list_however_they_are_cut() {
    let (_folder, store) = store().await;
    let mut ids = Vec::new();
    for (second, priority) in [(0, 0), (1, 5), (2, i32::MIN), (3, 5), (4, i32::MAX), (5, 0)] {
        let new = NewJob {
            priority,
            ..of("P-1")
        };
        ids.push(store.submit(&new, at(second)).await.expect("put in"));
    }
    store.begin_job(ids[2], at(10)).await.expect("begun");
    // Two at the same time, one before.
    for (index, second) in [(0, 20), (1, 20), (3, 15)] {
        let done = end(JobState::Done);
        let ended = store.end_job(ids[index], &done, at(second)).await;
        ended.expect("ended");
    }
    let list = async |limit, after| {
        let filter = JobFilter {
            limit,
            after,
            ..JobFilter::default()
        };
        store.jobs(&filter).await.expect("jobs")
    };
    let whole = list(None, None).await;
    let shown: Vec<_> = whole.iter().map(|job| job.id).collect();
    assert_eq!(shown, [2, 4, 5, 1, 0, 3].map(|index| ids[index]));
    for rows in 1..=6 {
        let (mut pages, mut after) = (Vec::new(), None);
        loop {
            let page = list(Some(rows), after).await;
            let Some(last) = page.last() else { break };
            let text = JobCursor::from(last).to_string();
            after = Some(text.parse().expect("as it was written"));
            pages.extend(page);
        }
        assert_eq!(pages, whole, "by {rows}");
    }
    assert!("7b7d".parse::<JobCursor>().is_err());
}

#[tokio::test]
async fn what_stands_there_is_kept_until_somebody_moves_it() {
    let (_folder, store) = store().await;
    assert_eq!(store.standing("bay").await.expect("read"), None);
    for item in ["P-1", "P-2"] {
        let placement = json!({ "item": item });
        let noted = store.set_standing("bay", Some(&placement), at(0)).await;
        noted.expect("noted");
        assert_eq!(store.standing("bay").await.expect("read"), Some(placement));
    }
    assert_eq!(store.standing("other").await.expect("read"), None);
    let noted = store.set_standing("bay", None, at(1)).await;
    noted.expect("noted");
    assert_eq!(store.standing("bay").await.expect("read"), None);
}

#[tokio::test]
async fn an_attempt_that_gave_way_is_not_counted() {
    let (_folder, store) = store().await;
    let id = store.submit(&of("P-1"), at(0)).await.expect("put in");
    store.begin_job(id, at(1)).await.expect("begun");
    let gave_way = JobEnd {
        gave_way: true,
        ..end(JobState::Waiting)
    };
    store.end_job(id, &gave_way, at(2)).await.expect("noted");
    assert_eq!(store.job(id).await.expect("kept").attempt, 0);
}

#[tokio::test]
async fn what_cannot_be_measured_is_refused() {
    let (_folder, store) = store().await;
    let item = |serial: &str| ItemEntry {
        serial: serial.to_owned(),
        ..ItemEntry::default()
    };
    let wrong = [
        NewJob {
            plan: None,
            ..of("P-1")
        },
        NewJob {
            items: vec![],
            ..of("P-1")
        },
        NewJob {
            items: vec![item("P-1"), item("P-1")],
            ..of("P-1")
        },
        NewJob {
            items: vec![item("")],
            ..of("P-1")
        },
        NewJob {
            kind: JobKind::Reference,
            ..of("P-1")
        },
        NewJob {
            kind: JobKind::Rest,
            ..of("P-1")
        },
        NewJob {
            kind: JobKind::CheckItem,
            items: vec![item("a"), item("b")],
            ..of("P-1")
        },
        NewJob {
            station: String::new(),
            ..of("P-1")
        },
    ];
    for new in wrong {
        store.submit(&new, at(0)).await.expect_err("refused");
    }
    assert_eq!(store.newest_event().await.expect("events"), 0);
}

#[test]
fn a_change_is_possible_or_says_why_not() {
    use JobState::{Cancelled, Done, Failed, Held, Paused, Running, Waiting};
    let all = [Waiting, Running, Held, Paused, Done, Failed, Cancelled];
    let possible = |change: &Change| -> Vec<JobState> {
        let fits = |state: &JobState| changed(change, *state, 1).is_ok();
        all.into_iter().filter(fits).collect()
    };
    let open = [Waiting, Running, Held, Paused];
    assert_eq!(possible(&Change::Pause), open);
    assert_eq!(possible(&Change::Continue), open);
    assert_eq!(possible(&Change::Cancel), open);
    assert_eq!(possible(&Change::Retry), [Failed, Cancelled]);
    assert_eq!(possible(&Change::Priority(1)), [Waiting, Paused]);
    assert_eq!(possible(&Change::NotBefore(None)), [Waiting, Paused]);
    assert_eq!(
        changed(&Change::Cancel, Running, 1),
        Ok((Running, Some(Wanted::Cancel)))
    );
    assert_eq!(changed(&Change::Continue, Held, 1), Ok((Held, None)));
    assert!(changed(&Change::Retry, Failed, ATTEMPTS_MAX).is_err());
}

#[tokio::test]
async fn a_wish_for_a_running_job_is_noted_and_seen_to() {
    let (_folder, store) = store().await;
    let id = store.submit(&of("P-1"), at(0)).await.expect("put in");
    store.begin_job(id, at(1)).await.expect("begun");
    let job = store
        .change_job(id, &Change::Cancel, at(2))
        .await
        .expect("noted");
    assert_eq!(
        (job.state, job.wanted),
        (JobState::Running, Some(Wanted::Cancel))
    );
    store
        .end_job(id, &end(JobState::Cancelled), at(3))
        .await
        .expect("ended");
    let job = store.job(id).await.expect("there");
    assert_eq!((job.wanted, job.ended), (None, Some(at(3))));
    store
        .begin_job(id, at(4))
        .await
        .expect_err("it is cancelled");
    let job = store
        .change_job(id, &Change::Retry, at(5))
        .await
        .expect("again");
    assert_eq!((job.state, job.ended), (JobState::Waiting, None));
    assert_eq!(store.begin_job(id, at(6)).await.expect("begun").attempt, 2);
}

#[tokio::test]
async fn a_repeating_job_leaves_its_successor() {
    let (_folder, store) = store().await;
    let new = NewJob {
        stays: true,
        repeat: Some(Repeat {
            every: "1 h".to_owned(),
            until: None,
            count: None,
        }),
        ..of("P-1")
    };
    let id = store.submit(&new, at(0)).await.expect("put in");
    let done = JobEnd {
        again: Some(at(3600)),
        ..end(JobState::Done)
    };
    let next = store.end_job(id, &done, at(10)).await.expect("ended");
    let next = store.job(next.expect("a successor")).await.expect("there");
    assert_eq!((next.follows, next.number), (Some(id), 2));
    assert_eq!(
        (next.not_before, next.state),
        (Some(at(3600)), JobState::Waiting)
    );
    assert_eq!(
        (next.items, next.repeat, next.stays),
        (new.items, new.repeat, true)
    );
}

#[tokio::test]
async fn a_prompt_holds_its_job_and_is_answered_once() {
    let (_folder, store) = store().await;
    let id = store.submit(&of("P-1"), at(0)).await.expect("put in");
    let job = store.begin_job(id, at(1)).await.expect("begun");
    let prompt = store
        .ask(&job, Asks::Place, "close it", at(2), at(100))
        .await
        .expect("asked");
    let held = store.job(id).await.expect("there");
    assert_eq!(
        (held.state, held.reason.as_deref()),
        (JobState::Held, Some("close it"))
    );
    let open = store.open_prompts(Some("bay")).await.expect("open");
    assert_eq!(
        open.iter().map(|open| open.id).collect::<Vec<_>>(),
        [prompt]
    );
    assert!(
        store
            .open_prompts(Some("other"))
            .await
            .expect("open")
            .is_empty()
    );
    let answered = store
        .answer(prompt, Answer::Done, Some("Ada"), at(3))
        .await
        .expect("answered");
    assert_eq!(
        (answered.answer, answered.who.as_deref()),
        (Some(Answer::Done), Some("Ada"))
    );
    store
        .answer(prompt, Answer::Stop, None, at(4))
        .await
        .expect_err("once");
    assert_eq!(store.job(id).await.expect("there").state, JobState::Running);
    let kinds: Vec<_> = store
        .events_after(None, 0, 100)
        .await
        .expect("events")
        .into_iter()
        .map(|event| event.kind)
        .collect();
    assert_eq!(kinds, ["job", "job", "prompt", "answer"]);
}

#[tokio::test]
async fn a_queue_is_paused_and_goes_on() {
    let (_folder, store) = store().await;
    store
        .pause_queue("bay", "lunch", at(0))
        .await
        .expect("paused");
    let pause = store
        .queue_pause("bay")
        .await
        .expect("read")
        .expect("paused");
    assert_eq!((pause.reason.as_str(), pause.since), ("lunch", at(0)));
    assert_eq!(store.queue_pause("other").await.expect("read"), None);
    store.continue_queue("bay", at(1)).await.expect("goes on");
    assert_eq!(store.queue_pause("bay").await.expect("read"), None);
    assert_eq!(store.newest_event().await.expect("events"), 2);
}

#[tokio::test]
async fn what_was_set_aside_with_the_queue_goes_on_with_it() {
    let (_folder, store) = store().await;
    let mut jobs = Vec::new();
    for (minute, reason) in [(0, "stopped by Ada"), (1, "paused on request")] {
        let job = store.submit(&of("P-1"), at(minute)).await.expect("put in");
        let end = JobEnd {
            reason: Some(reason.to_owned()),
            ..end(JobState::Paused)
        };
        store.begin_job(job, at(2)).await.expect("begun");
        store.end_job(job, &end, at(3)).await.expect("set aside");
        jobs.push(job);
    }
    store
        .pause_queue("bay", "stopped by Ada", at(3))
        .await
        .expect("paused");
    store.continue_queue("bay", at(4)).await.expect("goes on");
    let mut states = Vec::new();
    for job in jobs {
        let job = store.job(job).await.expect("there");
        states.push((job.state, job.reason));
    }
    let aside = (JobState::Paused, Some("paused on request".to_owned()));
    assert_eq!(states, [(JobState::Waiting, None), aside]);
}

#[tokio::test]
async fn events_are_replayed_from_any_number_and_never_numbered_again() {
    let (_folder, store) = store().await;
    let event = |station: &str, minute: i64| NewEvent {
        at: at(60 * minute),
        station: station.to_owned(),
        job: None,
        run: None,
        kind: "reading".to_owned(),
        body: json!({ "minute": minute }),
    };
    let many: Vec<_> = (1..=6)
        .map(|n| event(if n % 2 == 0 { "a" } else { "b" }, n))
        .collect();
    assert_eq!(store.append_events(&many).await.expect("kept"), 6);
    let after = store.events_after(Some("a"), 2, 10).await.expect("read");
    assert_eq!(
        after.iter().map(|event| event.id).collect::<Vec<_>>(),
        [4, 6]
    );
    assert_eq!(after[0].body["minute"], 4);
    assert_eq!(store.events_after(None, 0, 2).await.expect("read").len(), 2);
    assert_eq!(
        store
            .prune_events(at(1_000_000), 100)
            .await
            .expect("pruned"),
        6
    );
    assert_eq!(store.newest_event().await.expect("read"), 6);
    assert_eq!(
        store.append_events(&[event("a", 9)]).await.expect("kept"),
        7
    );
}

#[tokio::test]
async fn old_events_go_but_never_those_of_an_open_job() {
    let (_folder, store) = store().await;
    let open = store.submit(&of("P-1"), at(0)).await.expect("put in");
    let over = store.submit(&of("P-2"), at(1)).await.expect("put in");
    store
        .end_job(over, &end(JobState::Done), at(2))
        .await
        .expect("ended");
    assert_eq!(store.prune_events(at(1000), 100).await.expect("pruned"), 2);
    let left = store.events_after(None, 0, 10).await.expect("read");
    assert_eq!(
        left.iter().map(|event| event.job).collect::<Vec<_>>(),
        [Some(open)]
    );
    for second in 3..8 {
        store
            .pause_queue("bay", "x", at(second))
            .await
            .expect("paused");
    }
    // Of six the newest two may stay, and that of the open job.
    assert_eq!(store.prune_events(at(0), 2).await.expect("pruned"), 3);
    assert_eq!(
        store.events_after(None, 0, 10).await.expect("read").len(),
        3
    );
}

#[tokio::test]
async fn a_run_is_found_by_its_job_as_soon_as_it_is_begun() {
    let (_folder, store) = store().await;
    let id = store.submit(&of("P-1"), at(0)).await.expect("put in");
    let sha = store
        .put_snapshot(SnapshotKind::Plan, "p", "text")
        .await
        .expect("kept");
    let new = crate::store::NewRun {
        kind: RunKind::Reference,
        item: None,
        model: None,
        lot: None,
        plan_sha: sha.clone(),
        station_sha: sha,
        driver_shas: vec![],
        reference_run: None,
        signature: "s".to_owned(),
        operator: None,
        started: at(1),
        note: None,
        program_version: "0".to_owned(),
        instruments: None,
    };
    let run = store
        .begin_run_of(Some(id), None, &new)
        .await
        .expect("begun");
    assert_eq!(store.job(id).await.expect("there").runs, [run]);
    let RunRecord { state, .. } = store.run(run).await.expect("there");
    assert_eq!(state, crate::store::RunState::Running);
}
