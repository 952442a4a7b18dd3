//! Certificates: from files, or from a local authority that is made at the first start.
//!
//! A tablet gives a page its store and its worker only over https, and a name in a roastery's own network gets no certificate from a public
//! authority. So there is one of its own: its key lies in a folder that only this user can read, and it can speak for the names of
//! the roastery and for private addresses alone, so that nobody who stole it could pass for a bank.

use std::fs::{self, OpenOptions};
use std::io::Write;
use std::net::{IpAddr, Ipv4Addr};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rcgen::{
    BasicConstraints, CertificateParams, CidrSubnet, DnType, ExtendedKeyUsagePurpose,
    GeneralSubtree, IsCa, Issuer, KeyPair, KeyUsagePurpose, NameConstraints, PublicKeyData,
};
use rustls::ServerConfig;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use sha2::{Digest, Sha256};
use tokio_rustls::TlsAcceptor;

use crate::day::Day;
use crate::web::Authority;

/// Where certificates come from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Certificates {
    /// Files in PEM form: the chain, the key.
    Files(PathBuf, PathBuf),
    /// A local authority: the folder of its key, the names and addresses by which the service is reached.
    Local(PathBuf, Vec<String>),
}

/// Why there is no TLS.
#[derive(Debug, thiserror::Error)]
pub enum TlsError {
    /// A file cannot be read or written.
    #[error("{0}: {1}")]
    File(PathBuf, std::io::Error),
    /// A file does not hold what it must.
    #[error("{0}: {1}")]
    Content(PathBuf, String),
    /// A certificate cannot be made or used.
    #[error("the certificate: {0}")]
    Certificate(String),
}

impl From<rcgen::Error> for TlsError {
    fn from(error: rcgen::Error) -> Self {
        Self::Certificate(error.to_string())
    }
}

impl From<rustls::Error> for TlsError {
    fn from(error: rustls::Error) -> Self {
        Self::Certificate(error.to_string())
    }
}

/// The name of HTTP/2 where the two sides agree on a protocol (RFC 7301).
pub const HTTP_2: &[u8] = b"h2";

/// How long the authority is good for.
const AUTHORITY_DAYS: i64 = 3_650;
/// How long a certificate of it is good for; a new one is made at each start. Some tablets take no more than 825 days.
const CERTIFICATE_DAYS: i64 = 800;
/// Endings of names that never lead out of a house (RFC 6762, RFC 8375, and `internal`, reserved by ICANN in 2024), and `lan`.
const HOUSE: [&str; 5] = ["local", "home.arpa", "internal", "lan", "localhost"];

/// What listens, and the authority to be installed, if it is ours.
///
/// # Errors
/// [`TlsError`] naming the file that is wrong.
pub fn acceptor(
    from: &Certificates,
    today: Day,
) -> Result<(TlsAcceptor, Option<Authority>), TlsError> {
    match from {
        Certificates::Files(chain, key) => Ok((of_files(chain, key)?, None)),
        Certificates::Local(folder, names) => {
            let (acceptor, authority) = of_authority(folder, names, today)?;
            Ok((acceptor, Some(authority)))
        }
    }
}

fn of_files(chain: &Path, key: &Path) -> Result<TlsAcceptor, TlsError> {
    let wrong = |file: &Path, error: &dyn std::fmt::Display| {
        TlsError::Content(file.to_owned(), error.to_string())
    };
    let certificates = CertificateDer::pem_file_iter(chain).map_err(|e| wrong(chain, &e))?;
    let certificates: Result<Vec<_>, _> = certificates.collect();
    let certificates = certificates.map_err(|e| wrong(chain, &e))?;
    let key = PrivateKeyDer::from_pem_file(key).map_err(|e| wrong(key, &e))?;
    with(certificates, key)
}

fn with(
    chain: Vec<CertificateDer<'static>>,
    key: PrivateKeyDer<'static>,
) -> Result<TlsAcceptor, TlsError> {
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let mut config = ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()?
        .with_no_client_auth()
        .with_single_cert(chain, key)?;
    config.alpn_protocols = vec![HTTP_2.to_vec(), b"http/1.1".to_vec()];
    Ok(TlsAcceptor::from(Arc::new(config)))
}

fn of_authority(
    folder: &Path,
    names: &[String],
    today: Day,
) -> Result<(TlsAcceptor, Authority), TlsError> {
    let key = authority_key(folder)?;
    let params = authority_params(&key, names, today)?;
    let certificate = authority_certificate(folder, &key, &params)?;
    let issuer = Issuer::new(params, key);
    let own = KeyPair::generate()?;
    let mut asked = CertificateParams::new(all_names(names))?;
    asked.distinguished_name.push(
        DnType::CommonName,
        names.first().map_or("localhost", String::as_str),
    );
    asked.key_usages = vec![KeyUsagePurpose::DigitalSignature];
    asked.extended_key_usages = vec![ExtendedKeyUsagePurpose::ServerAuth];
    asked.use_authority_key_identifier_extension = true;
    asked.is_ca = IsCa::ExplicitNoCa;
    last(&mut asked, today, CERTIFICATE_DAYS);
    let leaf = asked.signed_by(&own, &issuer)?;
    let key = PrivateKeyDer::try_from(own.serialize_der())
        .map_err(|e| TlsError::Certificate(e.to_owned()))?;
    let acceptor = with(vec![leaf.der().clone()], key)?;
    let authority = Authority {
        fingerprint: fingerprint(&certificate),
        certificate: certificate.to_vec(),
        names: names.to_vec(),
    };
    Ok((acceptor, authority))
}

/// The names of the settings, and this machine's own.
fn all_names(names: &[String]) -> Vec<String> {
    let mut all = names.to_vec();
    all.extend(["localhost".to_owned(), "127.0.0.1".to_owned()]);
    all.sort_unstable();
    all.dedup();
    all
}

/// The authority's key: the one that lies there, or a new one.
fn authority_key(folder: &Path) -> Result<KeyPair, TlsError> {
    let file = folder.join("authority-key.pem");
    match fs::read_to_string(&file) {
        Ok(text) => KeyPair::from_pem(&text).map_err(|e| TlsError::Content(file, e.to_string())),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            let key = KeyPair::generate()?;
            let made = fs::DirBuilder::new()
                .recursive(true)
                .mode(0o700)
                .create(folder);
            made.map_err(|e| TlsError::File(folder.to_owned(), e))?;
            write(&file, key.serialize_pem().as_bytes())?;
            Ok(key)
        }
        Err(error) => Err(TlsError::File(file, error)),
    }
}

/// The authority's own certificate: the one that lies there, and has been installed on tablets, or a new one.
fn authority_certificate(
    folder: &Path,
    key: &KeyPair,
    params: &CertificateParams,
) -> Result<CertificateDer<'static>, TlsError> {
    let file = folder.join("authority.pem");
    if !file.exists() {
        write(&file, params.self_signed(key)?.pem().as_bytes())?;
    }
    CertificateDer::from_pem_file(&file).map_err(|e| TlsError::Content(file, e.to_string()))
}

/// Writes a file that only this user can read, and that was not there.
fn write(file: &Path, bytes: &[u8]) -> Result<(), TlsError> {
    let mut options = OpenOptions::new();
    let made = options.write(true).create_new(true).mode(0o600).open(file);
    let written = made.and_then(|mut file| {
        file.write_all(bytes)?;
        file.sync_all()
    });
    written.map_err(|e| TlsError::File(file.to_owned(), e))
}

fn authority_params(
    key: &KeyPair,
    names: &[String],
    today: Day,
) -> Result<CertificateParams, TlsError> {
    let mut params = CertificateParams::new(Vec::<String>::new())?;
    // Two authorities with one name could not be told apart on a tablet.
    let mark = hex::encode(&Sha256::digest(key.der_bytes())[..3]);
    params
        .distinguished_name
        .push(DnType::CommonName, format!("Outturn of this house {mark}"));
    params.is_ca = IsCa::Ca(BasicConstraints::Constrained(0));
    params.key_usages = vec![KeyUsagePurpose::KeyCertSign, KeyUsagePurpose::CrlSign];
    params.name_constraints = Some(NameConstraints {
        permitted_subtrees: permitted(names),
        excluded_subtrees: Vec::new(),
    });
    last(&mut params, today, AUTHORITY_DAYS);
    Ok(params)
}

/// What the authority may speak for: the names given at its making, names within a house, private addresses (RFC 1918, RFC 3927).
fn permitted(names: &[String]) -> Vec<GeneralSubtree> {
    let private = [
        (Ipv4Addr::new(10, 0, 0, 0), 8),
        (Ipv4Addr::new(172, 16, 0, 0), 12),
        (Ipv4Addr::new(192, 168, 0, 0), 16),
        (Ipv4Addr::new(169, 254, 0, 0), 16),
        (Ipv4Addr::new(127, 0, 0, 0), 8),
    ];
    let network = |(address, prefix): (Ipv4Addr, u8)| {
        GeneralSubtree::IpAddress(CidrSubnet::from_v4_prefix(address.octets(), prefix))
    };
    let given = names.iter().map(|name| match name.parse::<IpAddr>() {
        Ok(IpAddr::V4(address)) => network((address, 32)),
        Ok(IpAddr::V6(address)) => {
            GeneralSubtree::IpAddress(CidrSubnet::from_v6_prefix(address.octets(), 128))
        }
        Err(_) => GeneralSubtree::DnsName(name.clone()),
    });
    let house = HOUSE.map(|name| GeneralSubtree::DnsName(name.to_owned()));
    given.chain(house).chain(private.map(network)).collect()
}

/// From yesterday (clocks differ) for so many days.
fn last(params: &mut CertificateParams, today: Day, days: i64) {
    let at = |day: Day| {
        let text = day.to_string();
        let mut parts = text.split('-').map(str::parse::<u16>);
        let mut part = || parts.next().and_then(Result::ok).unwrap_or(1);
        let (year, month, day) = (part(), part(), part());
        let small = |n: u16| u8::try_from(n).unwrap_or(1);
        rcgen::date_time_ymd(i32::from(year), small(month), small(day))
    };
    params.not_before = at(today.plus(-1));
    params.not_after = at(today.plus(days));
}

/// SHA-256 over the certificate, as tablets show it: pairs of hex digits with colons.
fn fingerprint(certificate: &CertificateDer<'_>) -> String {
    let digest = Sha256::digest(certificate.as_ref());
    let pairs: Vec<String> = digest.iter().map(|byte| format!("{byte:02X}")).collect();
    pairs.join(":")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_authority_is_made_once_and_stays() {
        let folder = tempfile::tempdir().unwrap();
        let keys = folder.path().join("keys");
        let today: Day = "2026-11-25".parse().unwrap();
        let from = Certificates::Local(
            keys.clone(),
            vec!["roastery.lan".to_owned(), "192.168.7.4".to_owned()],
        );
        let (_, first) = acceptor(&from, today).unwrap();
        let (_, again) = acceptor(&from, today.plus(400)).unwrap();
        assert_eq!(first.unwrap().fingerprint, again.unwrap().fingerprint);
        use std::os::unix::fs::PermissionsExt;
        let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
        assert_eq!(mode(&keys), 0o700);
        assert_eq!(mode(&keys.join("authority-key.pem")), 0o600);
    }

    #[test]
    fn a_file_that_is_no_certificate_is_named() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("chain.pem");
        fs::write(&file, "no certificate").unwrap();
        let error = acceptor(
            &Certificates::Files(file.clone(), file.clone()),
            "2026-11-25".parse().unwrap(),
        );
        assert!(error.err().unwrap().to_string().contains("chain.pem"));
    }
}
