//! Secrets: made by the system's generator, kept as hashes only.

use std::sync::LazyLock;

use argon2::password_hash::{PasswordHasher, PasswordVerifier};
use argon2::{Algorithm, Argon2, Params, Version};
use sha2::{Digest, Sha256};
use tokio::sync::Semaphore;

use crate::book::merkle::Hash;
use crate::ids::SiteId;
use crate::store::StoreError;

/// The letters of codes that people type: Crockford's base 32, which has no I, L, O and U.
const LETTERS: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";
/// 40 bits. With at most some hundred tries in the ten minutes that a code lives nobody guesses one, and whoever has stolen the database would
/// need 2^40 hashes of [`of_code`] in that time.
const CODE_LETTERS: usize = 8;

/// Argon2id with 19 MiB, two passes, one lane: the second of the settings that RFC 9106's authors and OWASP's password storage sheet name
/// for interactive use on small servers.
const MEMORY_KIB: u32 = 19 * 1024;
const PASSES: u32 = 2;

/// Password hashes computed at once: each takes memory and a core.
static HASHING: Semaphore = Semaphore::const_new(2);

/// A new secret of 256 random bits, hex.
///
/// # Errors
/// [`StoreError`] when the system has no randomness to give.
pub fn new_secret() -> Result<String, StoreError> {
    random::<32>().map(hex::encode)
}

/// A new code for people to type, such as `7K3F-0QXV`.
///
/// # Errors
/// As [`new_secret`].
pub fn new_code() -> Result<String, StoreError> {
    let bytes = random::<CODE_LETTERS>()?;
    let letter = |byte: &u8| char::from(LETTERS[usize::from(byte & 31)]);
    let (head, tail) = bytes.split_at(CODE_LETTERS / 2);
    let text = |part: &[u8]| part.iter().map(letter).collect::<String>();
    Ok(format!("{}-{}", text(head), text(tail)))
}

/// A code as it was made, from what somebody typed: small letters, blanks and letters that look like digits are understood.
#[must_use]
pub fn plain_code(typed: &str) -> String {
    let letter = |c: char| match c.to_ascii_uppercase() {
        'O' => Some('0'),
        'I' | 'L' => Some('1'),
        c if c.is_ascii_alphanumeric() => Some(c),
        _ => None,
    };
    typed.chars().filter_map(letter).collect()
}

fn random<const N: usize>() -> Result<[u8; N], StoreError> {
    let mut bytes = [0; N];
    getrandom::fill(&mut bytes).map_err(|e| StoreError::Database(format!("no randomness: {e}")))?;
    Ok(bytes)
}

/// What is kept of a secret that is random itself.
#[must_use]
pub fn hash(secret: &str) -> Hash {
    Sha256::digest(secret.as_bytes()).into()
}

/// What is kept of a code that people type: short as it is, it is hashed as slowly as a password. The same code of the same site has the same hash, so that
/// it can be looked up; only a few codes live at a time.
///
/// # Errors
/// [`StoreError`] when it cannot be computed.
pub async fn of_code(code: String, site: SiteId) -> Result<Hash, StoreError> {
    in_turn(move || {
        let mut hash = Hash::default();
        let made = argon2id().hash_password_into(code.as_bytes(), site.0.as_bytes(), &mut hash);
        made.map(|()| hash).map_err(|e| e.to_string())
    })
    .await?
    .map_err(StoreError::Database)
}

/// What is kept of a secret that a person chose.
///
/// # Errors
/// [`StoreError`] when it cannot be computed.
pub async fn keep(chosen: String) -> Result<String, StoreError> {
    let salt = random::<16>()?;
    in_turn(move || {
        let hash = argon2id().hash_password_with_salt(chosen.as_bytes(), &salt);
        hash.map(|hash| hash.to_string()).map_err(|e| e.to_string())
    })
    .await?
    .map_err(StoreError::Database)
}

/// Whether a person typed what they had chosen. Where nothing was chosen, the same work is done and the answer is no, so that the time
/// does not tell who is known here.
///
/// # Errors
/// [`StoreError`] when it cannot be computed.
pub async fn matches(kept: Option<String>, typed: String) -> Result<bool, StoreError> {
    in_turn(move || {
        let (kept, known) = kept.map_or_else(|| (NOBODY.clone(), false), |kept| (kept, true));
        let same = argon2id()
            .verify_password(typed.as_bytes(), kept.as_str())
            .is_ok();
        same && known
    })
    .await
}

/// The hash that stands in for people who are not known, or have chosen nothing.
static NOBODY: LazyLock<String> = LazyLock::new(|| {
    let hash = argon2id().hash_password_with_salt(b"", b"nobody's salt 16");
    hash.map(|hash| hash.to_string()).unwrap_or_default()
});

fn argon2id() -> Argon2<'static> {
    let params = Params::new(MEMORY_KIB, PASSES, 1, None).unwrap_or_default();
    Argon2::new(Algorithm::Argon2id, Version::V0x13, params)
}

async fn in_turn<T: Send + 'static>(
    work: impl FnOnce() -> T + Send + 'static,
) -> Result<T, StoreError> {
    let failed = |e: &dyn std::fmt::Display| StoreError::Database(format!("hashing: {e}"));
    let _turn = HASHING.acquire().await.map_err(|e| failed(&e))?;
    tokio::task::spawn_blocking(work)
        .await
        .map_err(|e| failed(&e))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_read_as_people_type_them() {
        let code = new_code().unwrap();
        assert_eq!(code.len(), 9, "{code}");
        assert_eq!(plain_code(&code.to_lowercase()), code.replace('-', ""));
        assert_eq!(plain_code(" oi1l-Zz "), "0111ZZ");
    }

    /// RFC 9106, section 3.1: the salt should be 16 bytes, and is the site's own, so that no table made beforehand helps.
    #[tokio::test]
    async fn a_code_is_found_again_at_its_own_site_only() {
        let (here, there) = (
            SiteId(uuid::Uuid::from_u128(1)),
            SiteId(uuid::Uuid::from_u128(2)),
        );
        let hash = async |code: &str, site| of_code(code.to_owned(), site).await.unwrap();
        let kept = hash("7K3F0QXV", here).await;
        assert_eq!(hash("7K3F0QXV", here).await, kept);
        assert_ne!(hash("7K3F0QXV", there).await, kept);
        assert_ne!(hash("7K3F0QXW", here).await, kept);
    }

    #[test]
    fn secrets_differ() {
        assert_ne!(new_secret().unwrap(), new_secret().unwrap());
    }

    #[tokio::test]
    async fn a_password_is_kept_as_argon2id_and_found_again() {
        let kept = keep("correct horse".to_owned()).await.unwrap();
        // The text form of the PHC string format; the settings stand in it.
        assert!(
            kept.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"),
            "{kept}"
        );
        assert!(
            matches(Some(kept.clone()), "correct horse".to_owned())
                .await
                .unwrap()
        );
        assert!(
            !matches(Some(kept), "correct house".to_owned())
                .await
                .unwrap()
        );
        assert!(
            !matches(None, String::new()).await.unwrap(),
            "nobody has the empty password"
        );
    }

    /// RFC 9106, section 5.3: the test vector of Argon2id.
    #[test]
    fn argon2id_is_that_of_rfc_9106() {
        let params = argon2::ParamsBuilder::new()
            .m_cost(32)
            .t_cost(3)
            .p_cost(4)
            .data(argon2::AssociatedData::new(&[4; 12]).unwrap())
            .build()
            .unwrap();
        let argon2 =
            Argon2::new_with_secret(&[3; 8], Algorithm::Argon2id, Version::V0x13, params).unwrap();
        let mut tag = [0; 32];
        argon2
            .hash_password_into(&[1; 32], &[2; 16], &mut tag)
            .unwrap();
        let expected = "0d640df58d78766c08c037a34a8b53c9d01ef0452d75b65eb52520e96b01e659";
        assert_eq!(hex::encode(tag), expected);
    }

    /// FIPS 180-4 example: SHA-256 of `abc`.
    #[test]
    fn random_secrets_are_kept_as_sha_256() {
        let expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(hex::encode(hash("abc")), expected);
    }
}
