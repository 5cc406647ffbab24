//! Who may ask over HTTP: names, scopes and the hashes of tokens.
//!
//! A token is 256 random bits, so its SHA-256 is enough to recognise it and of no use to guess it from: the
//! slow hashes made for passwords slow down guessing, and here there is nothing to guess.

use super::record::check_name;
use super::{Scope, Store, StoreError, parsed, sha256_hex, stamp};
use jiff::Timestamp;
use serde::Serialize;
use sqlx::Row;
use sqlx::sqlite::SqliteRow;

/// A token as kept; the token itself is not.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct TokenRecord {
    /// Whom it was made for.
    pub name: String,
    /// What it allows.
    pub scope: Scope,
    /// When it was made.
    pub made: Timestamp,
    /// When it ceased to count.
    pub revoked: Option<Timestamp>,
}

impl Store {
    /// Makes a token and answers with it; only its hash is kept, so it cannot be shown again.
    pub async fn make_token(
        &self,
        name: &str,
        scope: Scope,
        at: Timestamp,
    ) -> Result<String, StoreError> {
        check_name("the name of a token", name)?;
        let bits: [u8; 32] = rand::random();
        let token = format!("muffle_{}", super::hex(&bits));
        let doing = format!("make a token for {name}");
        let mut write = self.write(&doing).await?;
        let done = sqlx::query(
            "INSERT INTO token (name, hash, scope, made) VALUES (?1, ?2, ?3, ?4) \
            ON CONFLICT (name) DO NOTHING",
        )
        .bind(name)
        .bind(sha256_hex(token.as_bytes()))
        .bind(scope.as_str())
        .bind(stamp(at))
        .execute(&mut *write)
        .await
        .map_err(self.fault(&doing))?;
        write.commit().await.map_err(self.fault(&doing))?;
        match done.rows_affected() {
            0 => Err(StoreError::TokenExists {
                name: name.to_owned(),
            }),
            _ => Ok(token),
        }
    }

    /// All tokens ever made, by name.
    pub async fn tokens(&self) -> Result<Vec<TokenRecord>, StoreError> {
        let rows = sqlx::query("SELECT name, scope, made, revoked FROM token ORDER BY name")
            .fetch_all(self.readers())
            .await;
        rows.and_then(|rows| rows.iter().map(record).collect())
            .map_err(self.fault("list tokens"))
    }

    /// What a client presented, if it is a token that counts.
    pub async fn token(&self, presented: &str) -> Result<Option<TokenRecord>, StoreError> {
        let row = sqlx::query(
            "SELECT name, scope, made, revoked FROM token WHERE hash = ?1 AND revoked IS NULL",
        )
        .bind(sha256_hex(presented.as_bytes()))
        .fetch_optional(self.readers())
        .await
        .and_then(|row| row.as_ref().map(record).transpose());
        row.map_err(self.fault("look up a token"))
    }

    /// Makes a token count no longer, from the next request on.
    pub async fn revoke_token(&self, name: &str, at: Timestamp) -> Result<(), StoreError> {
        let doing = format!("revoke the token of {name}");
        let mut write = self.write(&doing).await?;
        let done = sqlx::query("UPDATE token SET revoked = ?2 WHERE name = ?1 AND revoked IS NULL")
            .bind(name)
            .bind(stamp(at))
            .execute(&mut *write)
            .await
            .map_err(self.fault(&doing))?;
        write.commit().await.map_err(self.fault(&doing))?;
        match done.rows_affected() {
            0 => Err(StoreError::NoToken {
                name: name.to_owned(),
            }),
            _ => Ok(()),
        }
    }
}

fn record(row: &SqliteRow) -> Result<TokenRecord, sqlx::Error> {
    Ok(TokenRecord {
        name: row.try_get("name")?,
        scope: parsed(row, "scope")?,
        made: parsed(row, "made")?,
        revoked: super::parsed_optional(row, "revoked")?,
    })
}
