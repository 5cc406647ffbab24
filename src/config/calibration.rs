//! When the instruments, antennas and cables of a station are to be calibrated again.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::document::Section;
use super::{ConfigError, Station};

/// So long before the due day it is warned of (common practice, no source: time to send an instrument away).
const WARN_DAYS: i32 = 30;

/// One thing that is calibrated regularly.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Calibration {
    /// What: `receiver`, `transmit antenna`, `cable 3`.
    pub what: String,
    /// The last day on which it may be used without a new calibration.
    pub due: Date,
    /// The certificate that says so.
    pub certificate: Option<String>,
}

impl Calibration {
    /// Days left until the due day, negative once it is over.
    pub fn days_left(&self, today: Date) -> i32 {
        // Two dates of the calendar are never so far apart that it overflows.
        today.until(self.due).map_or(0, |span| span.get_days())
    }

    /// What is to be said about it on a day, if anything.
    pub fn warning(&self, today: Date) -> Option<String> {
        let (what, due) = (&self.what, self.due);
        match self.days_left(today) {
            left if left > WARN_DAYS => None,
            left if left >= 0 => Some(format!(
                "the calibration of {what} is due on {due}, in {left} days"
            )),
            left => Some(format!(
                "the calibration of {what} was due on {due}, {} days ago",
                -left
            )),
        }
    }
}

fn day(now: Timestamp) -> Date {
    TimeZone::UTC.to_datetime(now).date()
}

pub(super) fn read(section: &mut Section<'_, '_>) -> Option<Calibration> {
    let what = section.checked("what", None, |what: String| match what.trim().is_empty() {
        true => Err("is empty; name what was calibrated".to_owned()),
        false => Ok(what.trim().to_owned()),
    });
    let due = section.checked("due", None, |text: String| {
        text.parse::<Date>()
            .map_err(|_| format!("`{text}` is not a day; write it like 2027-01-31"))
    });
    let certificate = section.optional::<String>("certificate");
    Some(Calibration {
        what: what?,
        due: due?,
        certificate,
    })
}

impl Station {
    /// What is to be said now about calibrations that are due soon or overdue; days are those of UTC.
    pub fn calibration_warnings(&self, now: Timestamp) -> Vec<String> {
        let today = day(now);
        let warnings = self.calibrations.iter();
        warnings.filter_map(|one| one.warning(today)).collect()
    }

    /// Refuses to measure with an overdue calibration, where the station file says `refuse_overdue`.
    ///
    /// # Errors
    /// Every calibration that is overdue.
    pub fn check_calibrations(&self, now: Timestamp) -> Result<(), ConfigError> {
        let today = day(now);
        let overdue = self.calibrations.iter().filter(|c| c.days_left(today) < 0);
        let reasons: Vec<String> = overdue.filter_map(|c| c.warning(today)).collect();
        match self.refuse_overdue && !reasons.is_empty() {
            true => Err(ConfigError::Overdue {
                station: self.name.clone(),
                reasons,
            }),
            false => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn due(text: &str) -> Calibration {
        Calibration {
            what: "receiver".to_owned(),
            due: text.parse().expect("a day"),
            certificate: None,
        }
    }

    #[test]
    fn warned_of_a_month_before_and_overdue_the_day_after() {
        let today: Date = "2027-01-31".parse().expect("a day");
        assert_eq!(due("2027-03-03").warning(today), None);
        let soon = due("2027-03-02").warning(today).expect("a warning");
        assert!(soon.ends_with("is due on 2027-03-02, in 30 days"), "{soon}");
        let last = due("2027-01-31").warning(today).expect("a warning");
        assert!(last.ends_with("in 0 days"), "{last}");
        let over = due("2025-01-30").warning(today).expect("a warning");
        assert!(
            over.ends_with("was due on 2025-01-30, 731 days ago"),
            "{over}"
        );
    }
}
