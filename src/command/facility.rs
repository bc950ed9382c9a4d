//! `cagehand facility`: sets up the store of several cages, and gives cages and offices their logins.

use std::path::PathBuf;

use clap::{Args, Subcommand};

use super::{Failure, terminal};
use crate::facility::{Member, StoreAddress, StoreError, StoreOwner};

/// Letters of a password that is made here; 24 of 32 different ones are 120 bits.
const PASSWORD_LETTERS: usize = 24;
/// None that look like another.
const LETTERS: &[u8; 32] = b"abcdefghijkmnpqrstuvwxyz23456789";

/// Arguments of `facility`.
#[derive(Debug, Args)]
pub(super) struct FacilityArgs {
    #[command(subcommand)]
    command: FacilityCommand,
    /// The store, as its owner reaches it, such as `postgres://owner@office.example.org/cagehand`.
    #[arg(long, value_name = "URL", global = true)]
    store: Option<String>,
    /// A file with the owner's password.
    #[arg(long, value_name = "FILE", global = true)]
    password_file: Option<PathBuf>,
    /// A PEM file with the authority that signed the store's certificate; without it those that the system trusts.
    #[arg(long, value_name = "FILE", global = true)]
    authority: Option<PathBuf>,
}

#[derive(Debug, Subcommand)]
enum FacilityCommand {
    /// Make the store's tables, or bring them up to date
    SetUp,
    /// Give a cage a login; its password is printed once
    AddCage(Login),
    /// Give an office a login; its password is printed once
    AddOffice(Login),
    /// Take a login away; what its cage has sent stays
    Remove(Login),
}

#[derive(Debug, Args)]
struct Login {
    /// Lower-case letters, digits and underscores, such as `cage2`.
    login: String,
}

impl FacilityArgs {
    pub(super) fn run(self) -> Result<(), Failure> {
        let url = self
            .store
            .ok_or_else(|| failed(StoreError::Refused("say which store: --store URL".into())))?;
        let address = StoreAddress::new(&url, self.password_file, self.authority)
            .map_err(|why| failed(StoreError::Credentials(format!("--store: {why}"))))?;
        let mut store = StoreOwner::connect(&address).map_err(failed)?;
        match self.command {
            FacilityCommand::SetUp => {
                let steps = store.set_up().map_err(failed)?;
                for step in &steps {
                    terminal::println(&format!("done: {step}"));
                }
                terminal::println("The store is up to date.");
            }
            FacilityCommand::AddCage(login) => add(&mut store, Member::Cage, &login.login)?,
            FacilityCommand::AddOffice(login) => add(&mut store, Member::Office, &login.login)?,
            FacilityCommand::Remove(login) => {
                store.remove_login(&login.login).map_err(failed)?;
                terminal::println(&format!("{} cannot log in any more.", login.login));
            }
        }
        Ok(())
    }
}

fn add(store: &mut StoreOwner, member: Member, login: &str) -> Result<(), Failure> {
    let password = new_password().map_err(failed)?;
    store.add_login(member, login, &password).map_err(failed)?;
    terminal::println(&format!("login    {login}\npassword {password}"));
    terminal::println(
        "It is shown this once. Put it into a file that only cagehand can read, and name that file in password_file.",
    );
    Ok(())
}

fn new_password() -> Result<String, StoreError> {
    let mut bytes = [0; PASSWORD_LETTERS];
    getrandom::fill(&mut bytes).map_err(|error| {
        StoreError::Credentials(format!("the system gives no random numbers: {error}"))
    })?;
    let letter = |byte: u8| char::from(LETTERS[usize::from(byte) % LETTERS.len()]);
    Ok(bytes.into_iter().map(letter).collect())
}

fn failed(error: StoreError) -> Failure {
    Failure::Request(error.to_string())
}
