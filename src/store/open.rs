//! Opening: create, recognise, back up, migrate, refuse.

use super::{BUSY_TIMEOUT, Inner, Store, StoreError, seal};
use sqlx::migrate::Migrator;
use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqlitePoolOptions, SqliteSynchronous};
use sqlx::{ConnectOptions, Connection, SqliteConnection, SqlitePool};
use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

pub(super) static MIGRATOR: Migrator = sqlx::migrate!();

/// `mufl`; set by the first migration.
pub(super) const APPLICATION_ID: i64 = 0x6d75_666c;
/// Traces of a few hundred levels fill pages of this size with less waste than SQLite's default of 4096.
const PAGE_BYTES: u32 = 8192;
/// Between two tries where SQLite does not wait by itself.
const BUSY_PAUSE: Duration = Duration::from_millis(20);
/// Connections that read beside the one that writes.
const READERS_MAX: u32 = 4;
/// What each of them keeps of the file, KiB; SQLite's default is four times as much. The system keeps its pages too, so
/// that little is gained by holding them twice in a daemon's memory.
const READER_CACHE_KIB: u32 = 500;

impl Store {
    /// Opens the file to read and write, creating it if it is not there.
    ///
    /// A file of an earlier schema is first copied to `<file>.before-<new schema version>`, then migrated in
    /// one transaction.
    pub async fn open(path: &Path) -> Result<Self, StoreError> {
        Self::open_with(path, &MIGRATOR).await
    }

    /// Opens the file to read only. Creates nothing; works beside a writer, and on read-only media. A file of an
    /// earlier schema is backed up and migrated first, as by [`Self::open`], where it can be written.
    pub async fn open_read_only(path: &Path) -> Result<Self, StoreError> {
        match Self::open_read_only_with(path, &MIGRATOR).await {
            Err(old @ StoreError::TooOld { .. }) => {
                match Self::open(path).await {
                    Ok(migrated) => migrated.close().await,
                    Err(StoreError::ReadOnly { .. }) => return Err(old),
                    Err(error) => return Err(error),
                }
                Self::open_read_only_with(path, &MIGRATOR).await
            }
            opened => opened,
        }
    }

    /// [`Self::open`] with other migrations, for tests of migrating itself.
    pub(super) async fn open_with(path: &Path, migrator: &Migrator) -> Result<Self, StoreError> {
        let known = newest(migrator);
        let found = if is_new(path) {
            None
        } else {
            recognise(path).await?.1
        };
        match found {
            Some(found) if found > known => return Err(too_new(path, found, known)),
            _ => {}
        }
        let options = options(path)
            .create_if_missing(true)
            .page_size(PAGE_BYTES)
            .journal_mode(SqliteJournalMode::Wal)
            // What was announced is on the disk, not on its way there.
            .synchronous(SqliteSynchronous::Full);
        let writer = pool(path, options, 1).await?;
        if let Some(found) = found.filter(|found| *found < known) {
            let mut connection = writer
                .acquire()
                .await
                .map_err(|error| StoreError::from_sqlite(path, "back it up".to_owned(), error))?;
            back_up_beside(path, &format!(".before-{known}"), &mut connection).await?;
            drop(connection);
            migrate(path, migrator, &writer, found).await?;
        } else if found.is_none() {
            migrate(path, migrator, &writer, 0).await?;
        }
        prove_writable(path, &writer).await?;
        let readers = pool(path, options_read_only(path), READERS_MAX).await?;
        Ok(Self::of(path, Some(writer), readers))
    }

    pub(super) async fn open_read_only_with(
        path: &Path,
        migrator: &Migrator,
    ) -> Result<Self, StoreError> {
        if !path.exists() {
            let path = path.to_owned();
            return Err(StoreError::Missing { path });
        }
        let known = newest(migrator);
        let (options, found) = recognise(path).await?;
        match found.unwrap_or(0) {
            found if found > known => Err(too_new(path, found, known)),
            found if found < known => Err(StoreError::TooOld {
                path: path.to_owned(),
                found,
                known,
            }),
            _ => Ok(Self::of(
                path,
                None,
                pool(path, options, READERS_MAX).await?,
            )),
        }
    }

    fn of(path: &Path, writer: Option<SqlitePool>, readers: SqlitePool) -> Self {
        let path = path.to_owned();
        let identity = path.metadata().ok().map(|file| super::identity(&file));
        Self {
            inner: Arc::new(Inner {
                path,
                writer,
                readers,
                identity,
            }),
        }
    }

    /// Writes a copy of everything, compacted, to a file that does not exist yet.
    pub async fn back_up(&self, to: &Path) -> Result<(), StoreError> {
        let mut connection = self
            .readers()
            .acquire()
            .await
            .map_err(self.fault("back up"))?;
        copy(self.path(), to, &mut connection).await
    }
}

fn newest(migrator: &Migrator) -> i64 {
    let versions = migrator.iter().map(|migration| migration.version);
    versions.max().unwrap_or(0)
}

pub(super) fn is_new(path: &Path) -> bool {
    path.metadata().map_or(true, |file| file.len() == 0)
}

fn too_new(path: &Path, found: i64, known: i64) -> StoreError {
    let path = path.to_owned();
    StoreError::TooNew { path, found, known }
}

pub(super) fn options(path: &Path) -> SqliteConnectOptions {
    SqliteConnectOptions::new()
        .filename(path)
        .foreign_keys(true)
        .busy_timeout(BUSY_TIMEOUT)
}

fn options_read_only(path: &Path) -> SqliteConnectOptions {
    options(path)
        .read_only(true)
        .pragma("cache_size", format!("-{READER_CACHE_KIB}"))
}

async fn pool(
    path: &Path,
    options: SqliteConnectOptions,
    connections_max: u32,
) -> Result<SqlitePool, StoreError> {
    let pool = SqlitePoolOptions::new()
        .max_connections(connections_max)
        // A local file does not hang up: keep what is open.
        .idle_timeout(None)
        .max_lifetime(None)
        .test_before_acquire(false)
        .before_acquire(|connection, _| Box::pin(is_usable(connection)));
    let mut retries_left = BUSY_TIMEOUT.as_millis() / BUSY_PAUSE.as_millis();
    loop {
        let opened = pool.clone().connect_with(options.clone()).await;
        let fault = |error| StoreError::from_sqlite(path, "open it".to_owned(), error);
        match opened.map_err(fault) {
            Err(StoreError::Locked { .. }) if retries_left > 0 => retries_left -= 1,
            answer => return answer,
        }
        // While another process makes the file, SQLite says "busy" at once instead of waiting its time.
        tokio::time::sleep(BUSY_PAUSE).await;
    }
}

/// After a full disk or a disk error SQLite has rolled back by itself, and the driver waits for ever to do so:
/// such a connection is replaced by a new one.
async fn is_usable(connection: &mut SqliteConnection) -> Result<bool, sqlx::Error> {
    // Answers when what the last user left to be rolled back has been.
    connection.ping().await?;
    Ok(!connection.is_in_transaction())
}

/// A connection of its own, for what takes one file into another.
pub(super) async fn connect(
    path: &Path,
    options: SqliteConnectOptions,
) -> Result<SqliteConnection, StoreError> {
    let options = options.synchronous(SqliteSynchronous::Full);
    let opened = options.connect().await;
    opened.map_err(|error| StoreError::from_sqlite(path, "open it".to_owned(), error))
}

/// Whose file it is.
pub(super) async fn application_id(path: &Path) -> Result<i64, StoreError> {
    if !path.exists() {
        let path = path.to_owned();
        return Err(StoreError::Missing { path });
    }
    let fault = |error| StoreError::from_sqlite(path, "read its schema".to_owned(), error);
    let mut connection = connect(path, options_read_only(path)).await?;
    let id = sqlx::query_scalar("PRAGMA application_id")
        .fetch_one(&mut connection)
        .await;
    let id = id.map_err(fault)?;
    connection.close().await.map_err(fault)?;
    Ok(id)
}

/// Whether the file has this program's schema; an error if it has a newer one.
pub(super) async fn recognised_version(path: &Path) -> Result<bool, StoreError> {
    let known = newest(&MIGRATOR);
    match recognise(path).await?.1.unwrap_or(0) {
        found if found > known => Err(too_new(path, found, known)),
        found => Ok(found == known),
    }
}

/// An error unless the file has this program's schema.
pub(super) async fn known_version(path: &Path) -> Result<(), StoreError> {
    match recognised_version(path).await? {
        true => Ok(()),
        false => Err(StoreError::TooOld {
            path: path.to_owned(),
            found: recognise(path).await?.1.unwrap_or(0),
            known: newest(&MIGRATOR),
        }),
    }
}

/// A new name in a folder is on the disk only when the folder is.
pub(super) fn sync_folder(path: &Path) -> std::io::Result<()> {
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    std::fs::File::open(folder)?.sync_all()
}

/// Finds out, without writing, how to read the file and which schema it has; `None` for an empty database.
async fn recognise(path: &Path) -> Result<(SqliteConnectOptions, Option<i64>), StoreError> {
    let options = options_read_only(path);
    match schema_version(path, &options).await {
        Ok(version) => Ok((options, version)),
        // Beside a file on read-only media SQLite cannot put its shared memory. If no log is waiting to be
        // merged, nobody writes, and the file can be read as it is.
        Err(error) if error.is_about_access() && is_new(&beside(path, "-wal")) => {
            let options = options.immutable(true);
            let version = schema_version(path, &options).await.map_err(|_| error)?;
            Ok((options, version))
        }
        Err(error) => Err(error),
    }
}

async fn schema_version(
    path: &Path,
    options: &SqliteConnectOptions,
) -> Result<Option<i64>, StoreError> {
    let fault = |error| StoreError::from_sqlite(path, "read its schema".to_owned(), error);
    let mut connection = options.connect().await.map_err(fault)?;
    let application: i64 = sqlx::query_scalar("PRAGMA application_id")
        .fetch_one(&mut connection)
        .await
        .map_err(fault)?;
    let tables: i64 = sqlx::query_scalar("SELECT count(*) FROM sqlite_schema")
        .fetch_one(&mut connection)
        .await
        .map_err(fault)?;
    let version = match (application, tables) {
        (APPLICATION_ID, _) => sqlx::query_scalar("SELECT max(version) FROM _sqlx_migrations")
            .fetch_one(&mut connection)
            .await
            .map_err(fault)?,
        (0, 0) => None,
        _ => {
            let path = path.to_owned();
            return Err(StoreError::NotAStore { path });
        }
    };
    connection.close().await.map_err(fault)?;
    Ok(version)
}

/// All or nothing, and only one process at a time: the others wait and find it done.
async fn migrate(
    path: &Path,
    migrator: &Migrator,
    writer: &SqlitePool,
    found: i64,
) -> Result<(), StoreError> {
    let fault = |error| StoreError::from_sqlite(path, "migrate it".to_owned(), error);
    let mut transaction = writer.begin_with("BEGIN IMMEDIATE").await.map_err(fault)?;
    // Not `run`: its future cannot be spawned.
    let migrated = migrator.run_direct(None, &mut *transaction, false).await;
    migrated.map_err(|error| migration_fault(path, found, newest(migrator), error))?;
    // A digest is over the tables as the newest schema has them.
    if found < seal::SINCE_SCHEMA && newest(migrator) == newest(&MIGRATOR) {
        seal::seal_migrated(&mut transaction).await.map_err(fault)?;
    }
    transaction.commit().await.map_err(fault)
}

fn migration_fault(
    path: &Path,
    found: i64,
    known: i64,
    error: sqlx::migrate::MigrateError,
) -> StoreError {
    use sqlx::migrate::MigrateError::{Execute, ExecuteMigration};
    let wrapped = |source| StoreError::Migration {
        path: path.to_owned(),
        found,
        known,
        source: Box::new(source),
    };
    match error {
        Execute(error) | ExecuteMigration(error, _) if StoreError::has_remedy(&error) => {
            StoreError::from_sqlite(path, "migrate it".to_owned(), error)
        }
        other => wrapped(other),
    }
}

/// SQLite opens a read-only file without a word and fails at the first write: better to know before measuring.
pub(super) async fn prove_writable(path: &Path, writer: &SqlitePool) -> Result<(), StoreError> {
    let nothing = sqlx::query("DELETE FROM snapshot WHERE false")
        .execute(writer)
        .await;
    nothing
        .map(drop)
        .map_err(|error| StoreError::from_sqlite(path, "write to it".to_owned(), error))
}

/// Copies the file to `<file><suffix>`; an earlier copy of that name is kept and the next is numbered.
pub(super) async fn back_up_beside(
    path: &Path,
    suffix: &str,
    connection: &mut SqliteConnection,
) -> Result<PathBuf, StoreError> {
    let first = beside(path, suffix);
    let numbered = (2..).map(|n: u32| beside(path, &format!("{suffix}-{n}")));
    let to = std::iter::once(first)
        .chain(numbered)
        .find(|name| !name.exists())
        .expect("the names do not run out");
    copy(path, &to, connection).await?;
    Ok(to)
}

/// Writes to a name of its own first, so that a file with the final name is always whole.
pub(super) async fn copy(
    path: &Path,
    to: &Path,
    connection: &mut SqliteConnection,
) -> Result<(), StoreError> {
    let fault = |detail: String| StoreError::Backup {
        path: path.to_owned(),
        backup: to.to_owned(),
        detail,
    };
    if to.exists() {
        return Err(fault("there is a file of that name".to_owned()));
    }
    let part = beside(to, ".part");
    let part_text = part
        .to_str()
        .ok_or_else(|| fault("its name is not UTF-8".to_owned()))?;
    match std::fs::remove_file(&part) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
            return Err(fault(error.to_string()));
        }
        _ => {}
    }
    sqlx::query("VACUUM INTO ?1")
        .bind(part_text)
        .execute(connection)
        .await
        .map_err(|error| fault(error.to_string()))?;
    let settled = std::fs::File::open(&part)
        .and_then(|file| file.sync_all())
        .and_then(|()| std::fs::rename(&part, to))
        .and_then(|()| sync_folder(to));
    settled.map_err(|error| fault(error.to_string()))
}

/// The path with something added to the file's name.
pub(super) fn beside(path: &Path, suffix: &str) -> PathBuf {
    let mut name = OsString::from(path.as_os_str());
    name.push(suffix);
    PathBuf::from(name)
}
