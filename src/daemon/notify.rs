//! Tells people who are not looking: by a webhook or by a command of their own.

use std::process::Stdio;
use std::sync::Arc;
use std::time::Duration;

use serde::Serialize;
use tokio::process::Command;
use tokio::sync::{mpsc, watch};

use crate::config;

/// News that may wait to be told; what comes on top is only in the log.
const WAITING_MAX: usize = 64;
/// The longest that telling one may take.
const TELL_MAX: Duration = Duration::from_secs(10);

/// Something to tell.
#[derive(Debug, Clone, Serialize)]
pub(super) struct News {
    /// Where.
    pub station: String,
    /// `prompt`, `failed`, `missing` or `paused`.
    pub kind: &'static str,
    /// In words.
    pub text: String,
}

/// Takes news; a clone tells the same people.
#[derive(Debug, Clone)]
pub(super) struct Notifier(mpsc::Sender<News>);

impl Notifier {
    /// A task of its own tells, one after the other.
    pub(super) fn start(settings: watch::Receiver<Arc<config::Daemon>>) -> Self {
        let (sender, mut waiting) = mpsc::channel::<News>(WAITING_MAX);
        tokio::spawn(async move {
            while let Some(news) = waiting.recv().await {
                let whom = settings.borrow().notify.clone();
                if let Some(address) = whom.webhook {
                    post(address, &news).await;
                }
                if let Some(command) = &whom.command {
                    run(command, &news).await;
                }
            }
        });
        Self(sender)
    }

    /// Tells without waiting.
    pub(super) fn tell(&self, news: News) {
        tracing::warn!(station = news.station, kind = news.kind, "{}", news.text);
        if self.0.try_send(news).is_err() {
            tracing::warn!("{WAITING_MAX} news wait to be told already; this one is only here");
        }
    }
}

async fn post(address: String, news: &News) {
    let body = serde_json::json!(news).to_string();
    let posted = tokio::task::spawn_blocking(move || {
        let agent: ureq::Agent = ureq::Agent::config_builder()
            .timeout_global(Some(TELL_MAX))
            .max_redirects(0)
            .build()
            .into();
        agent
            .post(&address)
            .header("content-type", "application/json")
            .send(&body)
            .map(drop)
    })
    .await;
    match posted {
        Ok(Ok(())) => {}
        Ok(Err(error)) => tracing::error!(%error, "the webhook could not be told"),
        Err(error) => tracing::error!(%error, "the webhook could not be told"),
    }
}

/// No shell is between: an argument reaches the command as it is, whatever is in it.
async fn run(command: &[String], news: &News) {
    let words: Vec<String> = command
        .iter()
        .map(|word| match word.as_str() {
            "{station}" => news.station.clone(),
            "{kind}" => news.kind.to_owned(),
            "{text}" => news.text.clone(),
            _ => word.clone(),
        })
        .collect();
    let Some((program, arguments)) = words.split_first() else {
        return;
    };
    let status = Command::new(program)
        .args(arguments)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .kill_on_drop(true)
        .status();
    match tokio::time::timeout(TELL_MAX, status).await {
        Ok(Ok(status)) if status.success() => {}
        Ok(Ok(status)) => tracing::error!(%status, program, "the command for news failed"),
        Ok(Err(error)) => tracing::error!(%error, program, "the command for news cannot be run"),
        Err(_) => tracing::error!(
            program,
            "the command for news took longer than {TELL_MAX:?}"
        ),
    }
}
