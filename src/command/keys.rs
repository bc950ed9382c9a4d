//! `cagehand keys`: the PIN of the cage's screen, and the coaches' passwords and one-time codes.
//!
//! In: a key, typed on standard input so that it stands in no list of processes and no shell history; a terminal does not show
//! it. Out: its hash beside the journal.

use std::io::{BufRead, IsTerminal};
use std::path::PathBuf;

use clap::{Args, Subcommand};

use super::{Failure, enter_audit, journal_path, terminal};
use crate::audit::Act;
use crate::page::{
    CredentialError, Credentials, Principal, SHARED_ACCOUNT, app_address, new_secret,
    password_strength, step_of,
};
use crate::settings::Settings;

/// Arguments of `keys`.
#[derive(Debug, Args)]
pub(super) struct KeysArgs {
    #[command(subcommand)]
    command: KeysCommand,
    /// The keys of the page that shows this journal.
    #[arg(long, value_name = "FILE", global = true)]
    journal: Option<PathBuf>,
}

#[derive(Debug, Subcommand)]
enum KeysCommand {
    /// Set the PIN of the cage's screen (6 to 12 digits), read from standard input
    Pin(Drop),
    /// Set a coach's password (12 characters at least), read from standard input
    Password(CoachKey),
    /// Ask a coach for a one-time code beside the password, from an app on their phone
    Code(CoachKey),
    /// Say which keys are set
    Show,
}

#[derive(Debug, Args)]
struct Drop {
    /// Take the key away instead.
    #[arg(long)]
    drop: bool,
}

#[derive(Debug, Args)]
struct CoachKey {
    /// The coach's own account; without one the password that coaches share.
    #[arg(long, value_name = "NAME", default_value = SHARED_ACCOUNT)]
    coach: String,
    /// Take the key away instead.
    #[arg(long)]
    drop: bool,
}

impl KeysArgs {
    pub(super) fn run(self, settings: &Settings) -> Result<(), Failure> {
        let journal = journal_path(self.journal.as_deref(), settings)?;
        let file = Credentials::file_beside(&journal);
        let mut keys = Credentials::read(&file).map_err(failed)?;
        let entered = self.command.audit_detail();
        let said = match self.command {
            KeysCommand::Show => {
                show(&keys);
                return Ok(());
            }
            KeysCommand::Pin(Drop { drop }) => {
                let pin = if drop { None } else { Some(typed("the PIN")?) };
                keys.set_pin(pin.as_deref()).map_err(failed)?;
                told(drop)
            }
            KeysCommand::Password(CoachKey { coach, drop }) => {
                let password = if drop {
                    None
                } else {
                    Some(typed("the password")?)
                };
                keys.set_password(&coach, password.as_deref())
                    .map_err(failed)?;
                if let Some(password) = &password {
                    let strength = password_strength(password, &coach);
                    terminal::println(&format!(
                        "strength of this password: {strength} of 4 ({})",
                        if strength < 4 {
                            "good; one word more makes it very hard to guess"
                        } else {
                            "very hard to guess"
                        }
                    ));
                }
                told(drop)
            }
            KeysCommand::Code(CoachKey { coach, drop }) => {
                let secret = if drop {
                    None
                } else {
                    Some(new_code(&keys, &coach)?)
                };
                keys.set_code(&coach, secret).map_err(failed)?;
                told(drop)
            }
        };
        keys.write(&file).map_err(failed)?;
        enter_audit(&journal, Act::KeysChanged, None, &entered);
        terminal::println(&format!(
            "{}: {said}; whoever was logged in with a key that is changed must log in again",
            file.display()
        ));
        Ok(())
    }
}

impl KeysCommand {
    /// What the audit trail has of it: which key, and whose.
    fn audit_detail(&self) -> String {
        let done = |drop: &bool| if *drop { "taken away" } else { "set" };
        match self {
            Self::Pin(Drop { drop }) => format!("PIN {}", done(drop)),
            Self::Password(CoachKey { coach, drop }) => format!("password {}: {coach}", done(drop)),
            Self::Code(CoachKey { coach, drop }) => format!("code {}: {coach}", done(drop)),
            Self::Show => String::new(),
        }
    }
}

fn told(drop: bool) -> &'static str {
    match drop {
        true => "the key is taken away",
        false => "the key is set",
    }
}

fn show(keys: &Credentials) {
    let set = |is_set| if is_set { "set" } else { "not set" };
    terminal::println(&format!("{:<20} {}", "PIN", set(keys.has_pin())));
    if !keys.has_coach() {
        terminal::println(&format!("{:<20} {}", "password", set(false)));
    }
    for (name, has_code) in keys.coaches() {
        let code = if has_code {
            ", with a one-time code"
        } else {
            ""
        };
        terminal::println(&format!("{:<20} set{code}", format!("password of {name}")));
    }
}

/// A new secret, once the coach's app has shown that it has it.
fn new_code(keys: &Credentials, coach: &str) -> Result<String, Failure> {
    let who = Principal::Coach(coach.trim().to_owned());
    if keys.proof(&who).is_none() {
        return Err(failed(CredentialError::NoAccount(coach.trim().to_owned())));
    }
    let secret = new_secret().ok_or_else(|| failed(CredentialError::Random))?;
    terminal::println(
        "Enter this secret in the app that makes the codes, as one that changes by time:",
    );
    terminal::println(&format!("  {secret}"));
    terminal::println(&format!("  {}", app_address(&secret, coach.trim())));
    let code = typed("the code that the app shows now")?;
    let now = u64::try_from(crate::wall_clock::now().as_second()).unwrap_or_default();
    if step_of(&secret, &code, now, None).is_none() {
        return Err(Failure::Request(
            "that is not the code of this half minute: nothing is changed; look at the clocks of both machines".into(),
        ));
    }
    Ok(secret)
}

fn failed(error: CredentialError) -> Failure {
    match error {
        CredentialError::Weak(_) | CredentialError::Name | CredentialError::NoAccount(_) => {
            Failure::Request(error.to_string())
        }
        CredentialError::Random
        | CredentialError::File { .. }
        | CredentialError::Content { .. } => Failure::Finding(error.to_string()),
    }
}

/// The line that is typed, unseen, or piped in.
fn typed(what: &str) -> Result<String, Failure> {
    let input = std::io::stdin();
    let unread = |error| Failure::Request(format!("{what} cannot be read: {error}"));
    if input.is_terminal() {
        let prompt = format!("Type {what} and press Enter (it does not show): ");
        return rpassword::prompt_password(prompt).map_err(unread);
    }
    let mut line = String::new();
    input.lock().read_line(&mut line).map_err(unread)?;
    Ok(line.trim_end_matches(['\r', '\n']).to_owned())
}
