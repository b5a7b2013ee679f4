//! The few settings that the environment may lay over the file.

use super::raw::Raw;
use super::report::Problem;

/// Environment names and the keys they set.
pub const NAMES: [(&str, &str); 3] = [
    ("NIGHTJAR_WEB_LISTEN", "web.listen"),
    ("NIGHTJAR_STORE_FOLDER", "store.folder"),
    ("NIGHTJAR_MAIL_FOLDER", "notify.mail-folder"),
];

/// Values found for [`NAMES`].
#[derive(Clone, Debug, Default)]
pub struct Overrides {
    found: Vec<(&'static str, &'static str, String)>,
}

impl Overrides {
    /// Looks the names up, usually in the environment.
    pub fn collect(mut look_up: impl FnMut(&str) -> Option<String>) -> Self {
        let found = NAMES.iter().filter_map(|(name, key)| Some((*name, *key, look_up(name)?))).collect();
        Self { found }
    }

    /// From the environment of this process.
    #[must_use]
    pub fn from_environment() -> Self {
        Self::collect(|name| std::env::var(name).ok())
    }

    /// Lays the values over what the file says.
    ///
    /// # Errors
    /// When the layered result cannot be read, which names the environment.
    pub fn lay_over(&self, text: &str, raw: Raw) -> Result<Raw, Problem> {
        if self.found.is_empty() {
            return Ok(raw);
        }
        let mut builder =
            config::Config::builder().add_source(config::File::from_str(text, config::FileFormat::Toml));
        for (_, key, value) in &self.found {
            builder = builder.set_override(key, value.clone()).map_err(|error| self.problem(&error))?;
        }
        let layered = builder.build().map_err(|error| self.problem(&error))?;
        // Only the overridden values are taken: the file itself was read strictly before.
        let mut raw = raw;
        for (_, key, _) in &self.found {
            let value = layered.get_string(key).map_err(|error| self.problem(&error))?;
            match *key {
                "web.listen" => raw.web.listen = Some(value),
                "store.folder" => raw.store.folder = Some(value),
                _ => raw.notify.mail_folder = Some(value),
            }
        }
        Ok(raw)
    }

    fn problem(&self, error: &config::ConfigError) -> Problem {
        let names: Vec<_> = self.found.iter().map(|(name, ..)| *name).collect();
        Problem::at("", format!("environment {}: {error}", names.join(", ")))
            .hint("unset the variable, or give it a plain value")
    }
}
