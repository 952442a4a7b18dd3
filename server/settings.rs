//! Settings from flags, the environment and one TOML file, in this order of weight.

use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::path::{Path, PathBuf};

use serde::Deserialize;

use crate::day::Zone;
use crate::key_file;
use crate::serve::Certificates;
use crate::text::{LineText, Name};

/// How the service runs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Settings {
    /// The database: `sqlite:<file>` or `postgres://<user>@<host>/<name>`.
    pub database: String,
    /// The site to serve; the oldest unless said.
    pub site: Option<Name>,
    /// Where to listen.
    pub listen: SocketAddr,
    /// The time zone of a new book.
    pub zone: Zone,
    /// Where certificates come from; none for plain HTTP, to this machine alone.
    pub certificates: Option<Certificates>,
    /// Proxies whose word on the sender and the scheme is taken.
    pub proxies: Vec<IpAddr>,
    /// The file with the key that seals are signed with.
    pub seal_key: PathBuf,
    /// The folder into which the book is copied each day, if any.
    pub copies: Option<PathBuf>,
}

/// What flags, the environment or the file say; what they leave open has a usual value.
#[derive(Debug, Clone, Default, Deserialize, clap::Args)]
#[serde(deny_unknown_fields)]
pub struct Given {
    /// The database: `sqlite:<file>` or `postgres://<user>@<host>/<name>` (usual: sqlite:outturn.sqlite).
    #[arg(long = "database", env = "DATABASE_URL")]
    pub database: Option<String>,
    /// The site to serve, where the database has several: each is served by a process of its own (usual: the oldest).
    #[arg(long, env = "OUTTURN_SITE", value_parser = name)]
    pub site: Option<Name>,
    /// Where to listen; beyond this machine over TLS only: give a certificate, or names (usual: 127.0.0.1:8080).
    #[arg(long, env = "OUTTURN_LISTEN")]
    pub listen: Option<SocketAddr>,
    /// The time zone of a new book, such as Europe/Lisbon (usual: UTC).
    #[arg(long, env = "OUTTURN_ZONE")]
    pub zone: Option<Zone>,
    /// A certificate with its chain, PEM.
    #[arg(long, env = "OUTTURN_CERTIFICATE", requires = "certificate_key")]
    pub certificate: Option<PathBuf>,
    /// The certificate's key, PEM.
    #[arg(long, env = "OUTTURN_CERTIFICATE_KEY", requires = "certificate")]
    pub certificate_key: Option<PathBuf>,
    /// Names and addresses by which tablets reach the service, such as roastery.lan,192.168.1.20: their certificate is made here, by a local
    /// authority that each tablet installs once.
    #[arg(
        long,
        env = "OUTTURN_NAMES",
        value_delimiter = ',',
        conflicts_with = "certificate"
    )]
    pub names: Option<Vec<String>>,
    /// The folder for the local authority's key, which never leaves it (usual: outturn-keys).
    #[arg(long, env = "OUTTURN_KEYS")]
    pub keys: Option<PathBuf>,
    /// Addresses of proxies of your own whose word on the sender is taken.
    #[arg(long, env = "OUTTURN_PROXIES", value_delimiter = ',')]
    pub proxies: Option<Vec<IpAddr>>,
    /// The file with the key that seals are signed with; made if it is not there (usual: beside the book).
    #[arg(long, env = "OUTTURN_SEAL_KEY", value_name = "FILE")]
    pub seal_key: Option<PathBuf>,
    /// A folder into which the book is copied each day, best on another disk (usual: no copies).
    #[arg(long, env = "OUTTURN_COPIES", value_name = "FOLDER")]
    pub copies: Option<PathBuf>,
}

fn name(text: &str) -> Result<Name, LineText> {
    Name::new(text)
}

/// Why a settings file is not used.
#[derive(Debug, thiserror::Error)]
pub enum SettingsError {
    /// It cannot be read.
    #[error("{0} cannot be read: {1}")]
    File(PathBuf, std::io::Error),
    /// Something in it is wrong.
    #[error("{0}: {1}")]
    Text(PathBuf, toml::de::Error),
}

impl Given {
    /// Reads the settings file: each setting as the flag of its name, with `_` for `-`.
    ///
    /// # Errors
    /// [`SettingsError`] with the line that is wrong.
    pub fn from_file(file: &Path) -> Result<Self, SettingsError> {
        let text =
            std::fs::read_to_string(file).map_err(|e| SettingsError::File(file.to_owned(), e))?;
        toml::from_str(&text).map_err(|e| SettingsError::Text(file.to_owned(), e))
    }

    /// These settings, completed from others and by what is usual.
    #[must_use]
    pub fn or(self, other: Self) -> Settings {
        let usual = SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), 8080);
        let database = self.database.or(other.database);
        let database = database.unwrap_or_else(|| "sqlite:outturn.sqlite".to_owned());
        let seal_key = self.seal_key.or(other.seal_key);
        Settings {
            copies: self.copies.or(other.copies),
            seal_key: seal_key.unwrap_or_else(|| key_file::usual(&database)),
            database,
            site: self.site.or(other.site),
            listen: self.listen.or(other.listen).unwrap_or(usual),
            zone: self.zone.or(other.zone).unwrap_or(Zone::UTC),
            certificates: certificates(
                self.certificate.or(other.certificate),
                self.certificate_key.or(other.certificate_key),
                self.names.or(other.names),
                self.keys.or(other.keys),
            ),
            proxies: self.proxies.or(other.proxies).unwrap_or_default(),
        }
    }
}

fn certificates(
    chain: Option<PathBuf>,
    key: Option<PathBuf>,
    names: Option<Vec<String>>,
    keys: Option<PathBuf>,
) -> Option<Certificates> {
    match (chain, key, names) {
        (Some(chain), Some(key), _) => Some(Certificates::Files(chain, key)),
        (_, _, Some(names)) if !names.is_empty() => {
            let folder = keys.unwrap_or_else(|| PathBuf::from("outturn-keys"));
            Some(Certificates::Local(folder, names))
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn flags_outweigh_the_file_and_the_file_what_is_usual() {
        let file: Given =
            toml::from_str("database = \"sqlite:book.sqlite\"\nzone = \"Europe/Lisbon\"").unwrap();
        let flags = Given {
            database: Some("sqlite:other.sqlite".to_owned()),
            ..Given::default()
        };
        let settings = flags.or(file);
        assert_eq!(settings.database, "sqlite:other.sqlite");
        assert_eq!(settings.zone.to_string(), "Europe/Lisbon");
        assert_eq!(settings.listen.to_string(), "127.0.0.1:8080");
    }

    /// The settings that a package brings.
    #[test]
    fn the_packaged_settings_listen_to_this_machine_alone() {
        let file: Given = toml::from_str(include_str!("packaging/outturn.toml")).unwrap();
        let settings = Given::default().or(file);
        assert!(settings.listen.ip().is_loopback());
        for path in [settings.seal_key, settings.copies.unwrap()] {
            assert!(path.starts_with("/var/lib/outturn"), "{}", path.display());
        }
    }

    #[test]
    fn a_word_that_is_no_setting_is_refused() {
        let error = toml::from_str::<Given>("databse = \"sqlite:book.sqlite\"").unwrap_err();
        assert!(error.to_string().contains("databse"), "{error}");
    }
}
