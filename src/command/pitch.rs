//! `cagehand pitch`: how long pitches fly at each level, or one of them to listen to.

use clap::Args;

use super::{Failure, terminal};
use crate::pitch::{Air, Level, Pitch, PitchError, SpeedClass};

/// Arguments of `pitch`.
#[derive(Debug, Args)]
pub(super) struct PitchArgs {
    /// Only this level.
    #[arg(long, value_name = "LEVEL")]
    level: Option<Level>,
    /// A speed at release in miles an hour instead of the usual ones.
    #[arg(long, value_name = "N", conflicts_with = "speed_kmh")]
    speed_mph: Option<f64>,
    /// A speed at release in kilometres an hour instead of the usual ones.
    #[arg(long, value_name = "N")]
    speed_kmh: Option<f64>,
    /// Temperature of the air, degrees Celsius.
    #[arg(
        long,
        value_name = "N",
        default_value_t = 15.0,
        allow_negative_numbers = true
    )]
    temperature_c: f64,
    /// Height above the sea, metres.
    #[arg(
        long,
        value_name = "N",
        default_value_t = 0.0,
        allow_negative_numbers = true
    )]
    altitude_m: f64,
}

impl PitchArgs {
    pub(super) fn run(self) -> Result<(), Failure> {
        use crate::pitch::Speed;
        let wrong = |error: PitchError| Failure::Request(error.to_string());
        let air = Air::at(self.temperature_c, self.altitude_m).map_err(wrong)?;
        let given = self
            .speed_mph
            .map(Speed::from_mph)
            .or(self.speed_kmh.map(Speed::from_km_h));
        terminal::println("level            rubber    released  flight   at the plate   drop");
        for level in Level::ALL {
            if self.level.is_some_and(|wanted| wanted != level) {
                continue;
            }
            let speeds = match given {
                Some(speed) => vec![speed],
                None => SpeedClass::ALL
                    .map(|class| level.usual_speed(class))
                    .to_vec(),
            };
            for speed in speeds {
                let pitch = Pitch::new(level, speed, air).map_err(wrong)?;
                terminal::println(&format!(
                    "{:<16} {:5.2} m   {:3.0} mph   {:4.0} ms   {:3.0} mph        {:4.2} m",
                    level.name(),
                    level.rule_distance_m(),
                    speed.mph(),
                    1e3 * pitch.flight.secs,
                    pitch.flight.plate_speed.mph(),
                    pitch.flight.drop_m,
                ));
            }
        }
        Ok(())
    }
}
