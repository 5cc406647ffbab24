//! Asks for hands through the store: whoever answers, wherever, is heard.

use std::sync::Arc;

use async_trait::async_trait;
use jiff::{SignedDuration, Timestamp};

use super::decide::Why;
use super::engine::Engine;
use super::place::{Current, Place};
use super::status::{Doing, Prompt};
use crate::procedure::{Hands, request};
use crate::station::Placement;
use crate::store::{Answer, JobRecord, PromptId, StoreError};

/// Whoever answers prompts, for one job.
pub(super) struct Asker {
    pub engine: Engine,
    pub place: Arc<Place>,
    pub job: JobRecord,
    pub current: Current,
}

#[async_trait]
impl Hands for Asker {
    async fn place(&self, placement: &Placement, recorder: bool) -> bool {
        if self.job.stays && self.place.standing().as_ref() == Some(placement) {
            return true;
        }
        // Whatever comes of it, what stood there cannot be relied on any more.
        self.place.set_standing(None);
        match self.ask(placement, recorder).await {
            Ok(Answer::Done) => {
                self.place.set_standing(Some(placement.clone()));
                true
            }
            Ok(answer) => {
                self.current.because(Why::Prompt(answer));
                false
            }
            Err(error) => {
                self.current.because(Why::Store(error.to_string()));
                false
            }
        }
    }
}

impl Asker {
    async fn ask(&self, placement: &Placement, recorder: bool) -> Result<Answer, StoreError> {
        let store = self.engine.store();
        let text = request(placement, None, recorder);
        let patience = self.engine.settings().prompt_max.duration();
        let since = Timestamp::now();
        let until = SignedDuration::try_from(patience)
            .ok()
            .and_then(|patience| since.checked_add(patience).ok())
            .unwrap_or(Timestamp::MAX);
        // Subscribed before it is asked, so that no answer can be missed.
        let mut news = self.engine.news();
        let id = store.ask(&self.job, &text, since, until).await?;
        self.engine.look().await;
        self.place.update(|status| {
            status.doing = Doing::Held;
            status.words = format!("Waiting for hands: {text}");
            status.prompt = Some(Prompt {
                id,
                text: text.clone(),
                since,
                until,
            });
        });
        self.engine.tell(&self.job.station, "prompt", &text);
        let answer = tokio::select! {
            answer = self.answered(id, &mut news) => answer,
            // By the clock that only goes forwards: a clock that was set anew shortens no wait.
            () = tokio::time::sleep(patience) => self.expire(id).await,
        };
        self.place.update(|status| status.prompt = None);
        answer
    }

    async fn answered(
        &self,
        id: PromptId,
        news: &mut tokio::sync::watch::Receiver<i64>,
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

    async fn expire(&self, id: PromptId) -> Result<Answer, StoreError> {
        let store = self.engine.store();
        match store
            .answer(id, Answer::Expired, None, Timestamp::now())
            .await
        {
            Ok(_) => {
                self.engine.look().await;
                Ok(Answer::Expired)
            }
            // Answered at the last moment.
            Err(StoreError::Refused { .. }) => {
                let prompt = store.prompt(id).await?;
                Ok(prompt
                    .and_then(|prompt| prompt.answer)
                    .unwrap_or(Answer::Expired))
            }
            Err(error) => Err(error),
        }
    }
}
