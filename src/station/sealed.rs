//! A receiver that is out of reach for a while, and comes back, perhaps under another device name.

use std::path::Path;
use std::time::Duration;

use tokio_util::sync::CancellationToken;

use super::{Station, StationError};
use crate::config::{Address, InstrumentEntry};
use crate::instrument::{Held, HoldProof, InstrumentError, ReceiverSettings};
use crate::link::{Exclusive, Framing, link};
use crate::quantity::Time;

/// How long the receiver is looked for after the item was opened, until a person is needed.
const LOOKED_FOR: Duration = Duration::from_secs(60);
/// The wait between two looks.
const LOOK_AGAIN: Duration = Duration::from_millis(500);

impl Station {
    /// Sets the receiver and lets it hold the peaks by itself. Answers with the time of one sweep where the
    /// receiver can say it.
    pub async fn arm(
        &self,
        settings: ReceiverSettings,
        stop: &CancellationToken,
    ) -> Result<Option<Time>, StationError> {
        let armed = self
            .receiver
            .run(move |receiver| Box::pin(async move { receiver.arm(&settings).await }));
        tokio::select! {
            armed = armed => Ok(armed?),
            () = stop.cancelled() => Err(StationError::Stopped),
        }
    }

    /// Asks what became of the hold, stops it and reads its trace; `settings` are those it was armed with.
    pub async fn collect(
        &self,
        settings: ReceiverSettings,
        stop: &CancellationToken,
    ) -> Result<(Held, HoldProof), StationError> {
        let collected = self
            .receiver
            .run(move |receiver| Box::pin(async move { receiver.collect(&settings).await }));
        tokio::select! {
            collected = collected => Ok(collected?),
            () = stop.cancelled() => Err(StationError::Stopped),
        }
    }

    /// Finds the receiver again: at its address, or wherever else the station file says. Only the one that
    /// answered when the station was opened will do.
    pub async fn find_receiver(&self, stop: &CancellationToken) -> Result<(), StationError> {
        tokio::select! {
            found = tokio::time::timeout(LOOKED_FOR, self.look_for_receiver()) => match found {
                Ok(found) => found,
                Err(_elapsed) => Err(StationError::ReceiverAway {
                    looked: addresses(&self.config.receiver, self.source_device())
                        .iter()
                        .map(Address::to_string)
                        .collect::<Vec<_>>()
                        .join(", "),
                    after: Time::from_duration(LOOKED_FOR),
                }),
            },
            () = stop.cancelled() => Err(StationError::Stopped),
        }
    }

    async fn look_for_receiver(&self) -> Result<(), StationError> {
        loop {
            for address in addresses(&self.config.receiver, self.source_device()) {
                let mut link = link(
                    &address,
                    Framing::from(&self.config.receiver.driver.dialect),
                );
                link.hold_lock(Exclusive::Alone);
                let same = self.identities.receiver.clone();
                let joined = self
                    .receiver
                    .run(move |receiver| {
                        Box::pin(async move { receiver.rejoin(link, &same).await })
                    })
                    .await;
                match joined {
                    Ok(()) => return Ok(()),
                    Err(error @ InstrumentError::Gone { .. }) => return Err(error.into()),
                    Err(error) => tracing::debug!(%address, %error, "not the receiver"),
                }
            }
            tokio::time::sleep(LOOK_AGAIN).await;
        }
    }

    fn source_device(&self) -> Option<&Address> {
        Some(&self.config.source.address)
    }
}

/// Where an instrument may be, in the order to try; never where the other one is.
pub(super) fn addresses(entry: &InstrumentEntry, but_not: Option<&Address>) -> Vec<Address> {
    let mut all = vec![entry.address.clone()];
    for address in entry.found_at.iter().flat_map(expand) {
        if Some(&address) != but_not && !all.contains(&address) {
            all.push(address);
        }
    }
    all
}

/// The devices that an address with `*` in its last part stands for, in order of their names.
fn expand(address: &Address) -> Vec<Address> {
    let Address::Serial(line) = address else {
        return vec![address.clone()];
    };
    let path = Path::new(&line.path);
    let (Some(folder), Some(pattern)) = (path.parent(), path.file_name().and_then(|n| n.to_str()))
    else {
        return vec![address.clone()];
    };
    if !pattern.contains('*') {
        return vec![address.clone()];
    }
    // A folder that cannot be read has no devices in it.
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let mut names: Vec<String> = entries
        .filter_map(|entry| entry.file_name().into_string().ok())
        .filter(|name| fits(pattern, name))
        .collect();
    names.sort();
    names
        .into_iter()
        .map(|name| {
            let mut line = line.clone();
            line.path = folder.join(name).to_string_lossy().into_owned();
            Address::Serial(line)
        })
        .collect()
}

/// Whether `name` is `pattern`, in which each `*` stands for any characters.
fn fits(pattern: &str, name: &str) -> bool {
    match pattern.split_once('*') {
        None => pattern == name,
        Some((before, after)) => name.strip_prefix(before).is_some_and(|rest| {
            rest.char_indices()
                .map(|(at, _)| at)
                .chain([rest.len()])
                .any(|at| fits(after, &rest[at..]))
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_star_stands_for_any_characters() {
        for (pattern, name, right) in [
            ("ttyUSB*", "ttyUSB12", true),
            ("ttyUSB*", "ttyUSB", true),
            ("ttyUSB*", "ttyACM0", false),
            ("*-if0*", "analyzer-if00-port0", true),
            ("tty*1", "ttyUSB2", false),
        ] {
            assert_eq!(fits(pattern, name), right, "{pattern} {name}");
        }
    }

    #[test]
    fn devices_are_found_by_their_names_in_order() {
        let folder = tempfile::tempdir().expect("a folder");
        for name in ["tty2", "tty1", "other"] {
            std::fs::write(folder.path().join(name), "").expect("a file");
        }
        let text = format!("serial://{}/tty*?baud=115200", folder.path().display());
        let found = expand(&text.parse().expect("an address"));
        let names: Vec<String> = found.iter().map(Address::to_string).collect();
        assert_eq!(names.len(), 2);
        assert!(names[0].ends_with("/tty1") && names[1].ends_with("/tty2"));
        assert!(matches!(&found[0], Address::Serial(line) if line.baud == 115_200));
    }
}
