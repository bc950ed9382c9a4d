//! What `check` says of the page: where it is, for whom, and how a browser is to show its certificate.

use super::finding::{Finding, Grade};
use crate::command::{Failure, journal_path};
use crate::page::{Credentials, PageCertificate};
use crate::settings::Settings;

pub(super) fn page(settings: &Settings) -> Result<Finding, Failure> {
    let rules = &settings.page;
    let finding = |good, says: String| Finding {
        what: "page",
        grade: Grade::of(good),
        says,
    };
    let Some(listen) = rules.listen else {
        return Ok(finding(true, "not served".to_owned()));
    };
    let journal = journal_path(None, settings)?;
    let keys = match Credentials::read(&Credentials::file_beside(&journal)) {
        Ok(keys) => keys,
        Err(error) => return Ok(finding(false, error.to_string())),
    };
    let is_beyond = !listen.ip().to_canonical().is_loopback() || !rules.behind_proxy.is_empty();
    if is_beyond && !(keys.has_pin() && keys.has_coach()) {
        let says = "nobody beyond this machine sees it before both keys are set: cagehand keys pin, cagehand keys password";
        return Ok(finding(false, says.to_owned()));
    }
    let mut says = match PageCertificate::of(rules, Some(&journal)) {
        Err(error) => return Ok(finding(false, error.to_string())),
        Ok(None) if rules.unencrypted => format!(
            "http://{listen}/, UNENCRYPTED: everybody in the network can read keys and names"
        ),
        Ok(None) => format!("http://{listen}/"),
        Ok(Some(certificate)) => format!(
            "https://{listen}/, certificate SHA-256 {}{}",
            certificate.fingerprint,
            match certificate.is_self_made {
                true =>
                    "; cagehand made it for itself: compare this in the browser before you accept it",
                false => "",
            }
        ),
    };
    if rules.trial && !keys.has_pin() && !keys.has_coach() {
        says += "; trial: this machine opens the coach's pages without a key";
    } else if !keys.has_coach() {
        says += "; the coach's pages stay shut before a password is set: cagehand keys password";
    }
    Ok(finding(true, says))
}
