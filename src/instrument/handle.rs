//! The handle to an instrument that one task owns.

use std::future::Future;
use std::pin::Pin;

use tokio::sync::{mpsc, oneshot};

use super::InstrumentError;

/// A future that borrows the instrument it is about.
pub type Using<'a, R> = Pin<Box<dyn Future<Output = R> + Send + 'a>>;

type Job<I> = Box<dyn for<'a> FnOnce(&'a mut I) -> Using<'a, ()> + Send>;

/// Jobs that may wait for an instrument; there is one procedure and one guard, so more means a fault.
const JOBS_MAX: usize = 16;

/// A cloneable handle to an instrument; the task that owns it ends with the last handle.
pub struct Handle<I> {
    name: &'static str,
    jobs: mpsc::Sender<Job<I>>,
}

impl<I> Clone for Handle<I> {
    fn clone(&self) -> Self {
        Self {
            name: self.name,
            jobs: self.jobs.clone(),
        }
    }
}

impl<I: Send + 'static> Handle<I> {
    /// Gives `instrument` to a task of its own.
    pub fn own(name: &'static str, mut instrument: I) -> Self {
        let (jobs, mut queue) = mpsc::channel::<Job<I>>(JOBS_MAX);
        tokio::spawn(async move {
            while let Some(job) = queue.recv().await {
                job(&mut instrument).await;
            }
        });
        Self { name, jobs }
    }

    /// Runs `job` on the instrument, after the jobs before it.
    ///
    /// The job runs to its end even when this future is dropped: a conversation is never cut in two.
    pub async fn run<R: Send + 'static>(
        &self,
        job: impl for<'a> FnOnce(&'a mut I) -> Using<'a, Result<R, InstrumentError>> + Send + 'static,
    ) -> Result<R, InstrumentError> {
        let gone = || InstrumentError::Gone {
            instrument: self.name,
        };
        let (answer, answered) = oneshot::channel();
        let boxed: Job<I> = Box::new(move |instrument| {
            Box::pin(async move {
                // Nobody may be waiting any more; the job was still done.
                let _ = answer.send(job(instrument).await);
            })
        });
        self.jobs.send(boxed).await.map_err(|_| gone())?;
        answered.await.map_err(|_| gone())?
    }
}
