//! What each measure is about, as a coach sorts it.

use super::types::MeasureName;
use crate::text_enum::text_enum;

text_enum! {
    /// A fundamental of hitting, in the order in which it comes.
    #[allow(missing_docs, reason = "the names say it")]
    pub enum Fundamental {
        Load = "load",
        Stride = "stride",
        HeadAndAxis = "head_and_axis",
        Sequence = "sequence",
        SwingPath = "swing_path",
        Balance = "balance",
    }
}

impl MeasureName {
    /// The fundamental that the measure is about.
    pub(crate) const fn fundamental(self) -> Fundamental {
        use MeasureName::*;
        match self {
            WeightBack | BackBeforeForward | GatherToPlant | HandsBack | Coil => Fundamental::Load,
            StrideLength | StrideLengthOfHeight | LiftToPlant | PlantToContact | FrontFootOpen
            | WeightAtPlant | PlantAfterRelease | PlantToArrival | WeightKept => {
                Fundamental::Stride
            }
            HeadToPlant | HeadToContact | HeadDrop | HeadBetweenFeet | TrunkHinge
            | TrunkHingeChange => Fundamental::HeadAndAxis,
            Sequence | PelvisAtPlant | PelvisAtContact | ShouldersAtPlant | ShouldersAtContact
            | Separation | SeparationMax | SeparationMaxBefore => Fundamental::Sequence,
            ContactToArrival | BarrelAtPlant | Attack | BatSpeed | KnobAtPlant | AttackToPitch
            | OnPlaneTime | OnPlaneLength | OnPlaneBefore | HandsLoop | BarrelLag | PathShape => {
                Fundamental::SwingPath
            }
            BalanceOffset | FinishHold => Fundamental::Balance,
        }
    }
}
