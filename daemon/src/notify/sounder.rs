//! A sounder or beacon at the site, the last resort when nobody can be told: a file that takes a
//! word, as the value file of a GPIO line does.

use crate::config::checked::Sounder;
use std::io;
use std::path::Path;
use tokio::io::AsyncWriteExt;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

/// Keeps the sounder as `wanted` says, and quiet at the end.
pub async fn run(sounder: Sounder, mut wanted: watch::Receiver<bool>, stop: CancellationToken) {
    loop {
        let on = *wanted.borrow_and_update();
        set(&sounder, on).await;
        tokio::select! {
            () = stop.cancelled() => break,
            changed = wanted.changed() => if changed.is_err() { break },
        }
    }
    set(&sounder, false).await;
}

async fn set(sounder: &Sounder, on: bool) {
    let word = if on { &sounder.on } else { &sounder.off };
    if let Err(error) = write(&sounder.file, word).await {
        tracing::error!(file = %sounder.file.display(), on, %error, "the sounder cannot be switched");
    }
}

/// Into a file that is there already: a line of the machine cannot be made by writing.
async fn write(file: &Path, word: &str) -> io::Result<()> {
    let mut file = tokio::fs::OpenOptions::new().write(true).truncate(true).open(file).await?;
    file.write_all(word.as_bytes()).await?;
    file.flush().await
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    #[tokio::test]
    async fn the_sounder_follows_and_ends_quiet() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("value");
        std::fs::write(&file, "in").unwrap();
        let sounder = Sounder { file: file.clone(), on: "1".into(), off: "0".into() };
        let (want, wanted) = watch::channel(false);
        let stop = CancellationToken::new();
        let task = tokio::spawn(run(sounder, wanted, stop.clone()));
        for on in [false, true, false, true] {
            want.send_replace(on);
            let seen = async {
                while std::fs::read_to_string(&file).unwrap() != if on { "1" } else { "0" } {
                    tokio::task::yield_now().await;
                }
            };
            tokio::time::timeout(Duration::from_secs(20), seen).await.unwrap();
        }
        stop.cancel();
        task.await.unwrap();
        assert_eq!(std::fs::read_to_string(&file).unwrap(), "0");
    }

    #[tokio::test]
    async fn a_missing_line_is_not_made() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("value");
        assert!(write(&file, "1").await.is_err());
        assert!(!file.exists());
    }
}
