//! Asks for hands through the store: whoever answers, wherever, is heard.

use std::sync::Arc;
use std::time::Duration;

use async_trait::async_trait;
use jiff::{SignedDuration, Timestamp};
use serde_json::json;
use tokio::sync::watch;

use super::decide::Why;
use super::engine::Engine;
use super::look::others_are_due;
use super::place::{Current, Place};
use super::status::{Doing, Prompt};
use crate::procedure::{Hands, request};
use crate::station::Placement;
use crate::store::{Answer, Asks, JobRecord, PromptId, StoreError};

/// How often it is looked whether something else has become due by the clock.
const LOOK: Duration = Duration::from_secs(1);

/// Whoever answers prompts, for one job.
pub(super) struct Asker {
    pub engine: Engine,
    pub place: Arc<Place>,
    pub job: JobRecord,
    /// Whether the station may do other work until the hands are there.
    pub meanwhile: bool,
    pub current: Current,
}

#[async_trait]
impl Hands for Asker {
    async fn place(&self, placement: &Placement, recorder: bool) -> bool {
        if self.job.stays && self.place.standing().as_ref() == Some(placement) {
            return true;
        }
        let text = request(placement, None, recorder);
        match self.have_placed(placement, &text).await {
            Ok(()) => true,
            Err(why) => {
                self.current.because(why);
                false
            }
        }
    }
}

impl Asker {
    async fn have_placed(&self, placement: &Placement, text: &str) -> Result<(), Why> {
        let patience = self.engine.settings().prompt_max.duration();
        if self.meanwhile {
            self.have_come(text, patience).await?;
        }
        // Whatever comes of it, what stood there cannot be relied on any more.
        self.stands(None).await?;
        if !self.meanwhile {
            self.tell(text);
        }
        let item = placement.item.as_deref();
        match self.ask(Asks::Place, text, item, patience).await? {
            Answer::Done => Ok(self.stands(Some(placement)).await?),
            answer => Err(Why::Prompt(answer)),
        }
    }

    /// Has somebody come to the station; until they say that they are there, what needs no hands goes first.
    async fn have_come(&self, text: &str, patience: Duration) -> Result<(), Why> {
        let (since, is_new) = self.place.await_hands(self.job.id);
        if others_are_due(&self.engine, &self.place, self.job.id).await? {
            return Err(Why::GaveWay);
        }
        let text = format!(
            "Come to the station, and say so when you stand there: until then it may transmit for other jobs. \
            What will be asked: {text}"
        );
        if is_new {
            self.tell(&text);
        }
        let left = patience.saturating_sub(since.elapsed());
        match self.ask(Asks::Come, &text, None, left).await? {
            Answer::Done => {
                self.place.await_only(|call| call != self.job.id);
                Ok(())
            }
            Answer::Withdrawn => Err(Why::GaveWay),
            answer => Err(Why::Prompt(answer)),
        }
    }

    /// Notes what stands at the station, on the disk first.
    async fn stands(&self, placement: Option<&Placement>) -> Result<(), StoreError> {
        let (store, name) = (self.engine.store(), &self.place.name);
        let kept = placement.map(|placement| json!(placement));
        store
            .set_standing(name, kept.as_ref(), Timestamp::now())
            .await?;
        self.place.set_standing(placement.cloned());
        Ok(())
    }

    fn tell(&self, text: &str) {
        self.engine.tell(&self.job.station, "prompt", text);
    }

    async fn ask(
        &self,
        asks: Asks,
        text: &str,
        item: Option<&str>,
        patience: Duration,
    ) -> Result<Answer, StoreError> {
        let store = self.engine.store();
        let since = Timestamp::now();
        let until = SignedDuration::try_from(patience)
            .ok()
            .and_then(|patience| since.checked_add(patience).ok())
            .unwrap_or(Timestamp::MAX);
        // Subscribed before it is asked, so that no answer can be missed.
        let mut news = self.engine.news();
        let id = store.ask(&self.job, asks, text, since, until).await?;
        self.place.update(|status| {
            status.doing = Doing::Held;
            status.words = format!("Waiting for hands: {text}");
            status.prompt = Some(Prompt {
                id,
                asks,
                text: text.to_owned(),
                item: item.map(str::to_owned),
                since,
                until,
            });
        });
        // Whoever hears of it finds it in the status.
        self.engine.look().await;
        let answer = tokio::select! {
            answer = self.answered(id, &mut news) => answer,
            // By the clock that only goes forwards: a clock that was set anew shortens no wait.
            () = tokio::time::sleep(patience) => self.end(id, Answer::Expired).await,
            due = self.others(), if asks == Asks::Come => match due {
                Ok(()) => self.end(id, Answer::Withdrawn).await,
                Err(error) => Err(error),
            },
        };
        self.place.update(|status| status.prompt = None);
        answer
    }

    async fn answered(
        &self,
        id: PromptId,
        news: &mut watch::Receiver<i64>,
    ) -> Result<Answer, StoreError> {
        loop {
            let prompt = self.engine.store().prompt(id).await?;
            if let Some(answer) = prompt.and_then(|prompt| prompt.answer) {
                return Ok(answer);
            }
            if news.changed().await.is_err() {
                return Ok(Answer::Withdrawn);
            }
        }
    }

    /// Returns when something is due that needs no hands.
    async fn others(&self) -> Result<(), StoreError> {
        let mut news = self.engine.news();
        while !others_are_due(&self.engine, &self.place, self.job.id).await? {
            tokio::select! {
                _ = news.changed() => {}
                () = tokio::time::sleep(LOOK) => {}
            }
        }
        Ok(())
    }

    /// Ends a prompt that nobody has answered; somebody may have at the last moment, and that counts.
    async fn end(&self, id: PromptId, answer: Answer) -> Result<Answer, StoreError> {
        let store = self.engine.store();
        match store.answer(id, answer, None, Timestamp::now()).await {
            Ok(_) => {
                self.engine.look().await;
                Ok(answer)
            }
            Err(StoreError::Refused { .. }) => {
                let prompt = store.prompt(id).await?;
                Ok(prompt.and_then(|prompt| prompt.answer).unwrap_or(answer))
            }
            Err(error) => Err(error),
        }
    }
}
