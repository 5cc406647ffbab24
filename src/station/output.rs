//! What is known of an output, said alike everywhere.

use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use serde::Serialize;
use utoipa::ToSchema;

/// An output as far as anybody knows.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
#[serde(tag = "state", rename_all = "snake_case")]
pub enum Output {
    /// The source itself said so.
    Off {
        /// When it said so last.
        confirmed: Timestamp,
    },
    /// It was switched on, and has not been confirmed off since.
    On(Transmitting),
    /// Nobody can say: treat it as on.
    Unknown {
        /// Why, and what to do.
        why: String,
        /// Since when.
        since: Timestamp,
    },
}

/// An output that is on, or not yet confirmed off.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct Transmitting {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Level at the source's output, dBm.
    pub level_dbm: f64,
    /// Level at the antenna's feed, dBm.
    pub feed_dbm: f64,
    /// What for.
    pub why: String,
    /// Since when.
    pub since: Timestamp,
}

impl Output {
    /// Off, as the source says just now.
    pub fn off_now() -> Self {
        Self::Off {
            confirmed: Timestamp::now(),
        }
    }

    /// Not known from now on.
    pub fn unknown_now(why: impl Into<String>) -> Self {
        Self::Unknown {
            why: why.into(),
            since: Timestamp::now(),
        }
    }

    /// What can be said of it at `now`: that it is off only where that was confirmed not longer ago than `age_max`.
    pub fn as_of(&self, now: Timestamp, age_max: Duration) -> Self {
        let Self::Off { confirmed } = self else {
            return self.clone();
        };
        let age_max = SignedDuration::try_from(age_max).unwrap_or(SignedDuration::MAX);
        let age = now.duration_since(*confirmed);
        // A clock that was set back proves nothing either.
        if age <= age_max && age >= -age_max {
            return self.clone();
        }
        Self::Unknown {
            why: format!("it was confirmed off at {confirmed:.0} and has not been asked since"),
            since: confirmed.saturating_add(age_max).unwrap_or(now),
        }
    }

    /// What is transmitted, where that is known.
    pub fn transmitting(&self) -> Option<&Transmitting> {
        match self {
            Self::On(transmitting) => Some(transmitting),
            Self::Off { .. } | Self::Unknown { .. } => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn off_is_said_only_as_long_as_it_was_asked() {
        let age_max = Duration::from_secs(60);
        let confirmed: Timestamp = "2026-03-01T09:00:00Z".parse().expect("a time");
        let off = Output::Off { confirmed };
        let later = |s| confirmed + SignedDuration::from_secs(s);
        assert_eq!(off.as_of(later(60), age_max), off);
        let said = off.as_of(later(61), age_max);
        let Output::Unknown { why, since } = &said else {
            panic!("{said:?}");
        };
        assert!(why.contains("2026-03-01T09:00:00Z"), "{why}");
        assert_eq!(*since, later(60));
        assert!(matches!(
            off.as_of(later(-3600), age_max),
            Output::Unknown { .. }
        ));
    }
}
