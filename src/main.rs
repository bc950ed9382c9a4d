//! The command line: reads arguments, runs one command, turns its result into an exit status.

#![forbid(unsafe_code)]

use std::process::ExitCode;

use cagehand::command::{self, Arguments};
use clap::Parser;

fn main() -> ExitCode {
    // clap itself ends with status 2 on a bad request.
    let arguments = Arguments::parse();
    match command::run(arguments) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            eprintln!("cagehand: {failure}");
            ExitCode::from(failure.exit_status())
        }
    }
}
