//! A backup put in the place of a store, whose file is kept.

use super::open::{beside, connect, copy, is_new, options, recognised_version, sync_folder};
use super::{Store, StoreError, prune, seal};
use sqlx::Connection;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How long a store that somebody uses is waited for before it is left alone.
const IN_USE_TIMEOUT: Duration = Duration::from_secs(1);

impl Store {
    /// Whether the file is a store of this program's schema, so that opening it changes nothing.
    pub async fn is_current(path: &Path) -> Result<bool, StoreError> {
        recognised_version(path).await
    }

    /// Puts a copy of `from` at `path`. A file that is there is kept as `<path>.before-restore`, and only if
    /// `replace` says so and nobody uses it. `from` is checked first, as [`Self::integrity`] checks, and stays
    /// as it is. Answers with where the old file is now.
    pub async fn restore(
        path: &Path,
        from: &Path,
        replace: bool,
    ) -> Result<Option<PathBuf>, StoreError> {
        let file = |problem: String| StoreError::File {
            path: path.to_owned(),
            problem,
        };
        if !from.exists() {
            return Err(StoreError::Missing {
                path: from.to_owned(),
            });
        }
        check_backup(from).await?;
        let is_there = !is_new(path);
        if is_there && !replace {
            let problem = "is there already; --replace keeps it under another name and puts the backup in its place";
            return Err(file(problem.to_owned()));
        }
        if is_there {
            close_for_good(path).await?;
        }
        let restored = beside(path, ".restored");
        let removed = std::fs::remove_file(&restored);
        match removed {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                return Err(file(format!(
                    "`{}` is in the way ({error})",
                    restored.display()
                )));
            }
            _ => {}
        }
        let mut connection = connect(from, options(from).read_only(true)).await?;
        copy(from, &restored, &mut connection).await?;
        drop(connection);
        let aside = match is_there {
            true => Some(
                set_aside(path).map_err(|error| file(format!("cannot be kept aside ({error})")))?,
            ),
            false => None,
        };
        std::fs::rename(&restored, path)
            .and_then(|()| sync_folder(path))
            .map_err(|error| {
                file(format!(
                    "cannot be written ({error}); the backup is whole in `{}`",
                    restored.display()
                ))
            })?;
        Ok(aside)
    }
}

/// A store, whole, and not newer than this program. An older one is migrated when it is opened next.
async fn check_backup(from: &Path) -> Result<(), StoreError> {
    prune::refuse_archive(from).await?;
    let is_current = recognised_version(from).await?;
    if is_current {
        let store = Store::open_read_only(from).await?;
        let faults = store.integrity().await?.faults;
        store.close().await;
        return match faults.first() {
            None => Ok(()),
            Some(first) => Err(StoreError::File {
                path: from.to_owned(),
                problem: format!(
                    "has {} faults, the first: {first}; nothing was changed",
                    faults.len()
                ),
            }),
        };
    }
    let fault = |error| StoreError::from_sqlite(from, "check it".to_owned(), error);
    let mut connection = connect(from, options(from).read_only(true)).await?;
    let said: String = sqlx::query_scalar("PRAGMA integrity_check(1)")
        .fetch_one(&mut connection)
        .await
        .map_err(fault)?;
    if said != "ok" {
        return Err(StoreError::Corrupt {
            path: from.to_owned(),
            doing: "restore it".to_owned(),
            detail: said,
        });
    }
    // From before seals: the checksums that it has.
    prune::verify(&mut connection, "main", from).await?;
    let files = sqlx::query("SELECT sha256, kind, name, text FROM snapshot")
        .fetch_all(&mut connection)
        .await
        .map_err(fault)?;
    for file in &files {
        if let Some(problem) = seal::snapshot_fault(file).map_err(fault)? {
            return Err(StoreError::File {
                path: from.to_owned(),
                problem: format!("{problem}; nothing was changed"),
            });
        }
    }
    Ok(())
}

/// Sees that nobody else has the store open, and merges its log into it. One that cannot be read any more is
/// nobody's.
async fn close_for_good(path: &Path) -> Result<(), StoreError> {
    let options = options(path)
        .busy_timeout(IN_USE_TIMEOUT)
        .locking_mode(sqlx::sqlite::SqliteLockingMode::Exclusive);
    let alone = async {
        let mut connection = connect(path, options).await?;
        let fault = |error| StoreError::from_sqlite(path, "have it alone".to_owned(), error);
        sqlx::query("BEGIN EXCLUSIVE")
            .execute(&mut connection)
            .await
            .map_err(fault)?;
        sqlx::query("COMMIT")
            .execute(&mut connection)
            .await
            .map_err(fault)?;
        sqlx::query("PRAGMA wal_checkpoint(TRUNCATE)")
            .execute(&mut connection)
            .await
            .map_err(fault)?;
        connection.close().await.map_err(fault)
    };
    match alone.await {
        Err(error @ StoreError::Locked { .. }) => Err(error),
        _ => Ok(()),
    }
}

/// Renames the file, with its log if one is left.
fn set_aside(path: &Path) -> std::io::Result<PathBuf> {
    let first = beside(path, ".before-restore");
    let numbered = (2..).map(|n: u32| beside(path, &format!(".before-restore-{n}")));
    let aside = std::iter::once(first)
        .chain(numbered)
        .find(|name| !name.exists())
        .ok_or_else(|| std::io::Error::other("no name is free"))?;
    for log in ["-wal", "-shm"] {
        match std::fs::rename(beside(path, log), beside(&aside, log)) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(error),
            _ => {}
        }
    }
    std::fs::rename(path, &aside)?;
    Ok(aside)
}
