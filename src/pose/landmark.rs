//! The 33 body landmarks of the pose model, by name.

use std::fmt;

macro_rules! landmarks {
    ($($variant:ident = $name:literal),+ $(,)?) => {
        /// One landmark of the pose model; `left` and `right` are the person's own.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
        #[repr(u8)]
        #[allow(missing_docs, reason = "the names say it all")]
        pub enum Landmark { $($variant),+ }

        impl Landmark {
            /// All landmarks in the model's output order.
            pub const ALL: [Landmark; LANDMARK_COUNT] = [$(Landmark::$variant),+];

            /// The name in snake case, as pose tracks spell it.
            pub const fn name(self) -> &'static str {
                match self { $(Landmark::$variant => $name),+ }
            }
        }
    };
}

/// The number of landmarks.
pub const LANDMARK_COUNT: usize = 33;

landmarks! {
    Nose = "nose",
    LeftEyeInner = "left_eye_inner",
    LeftEye = "left_eye",
    LeftEyeOuter = "left_eye_outer",
    RightEyeInner = "right_eye_inner",
    RightEye = "right_eye",
    RightEyeOuter = "right_eye_outer",
    LeftEar = "left_ear",
    RightEar = "right_ear",
    MouthLeft = "mouth_left",
    MouthRight = "mouth_right",
    LeftShoulder = "left_shoulder",
    RightShoulder = "right_shoulder",
    LeftElbow = "left_elbow",
    RightElbow = "right_elbow",
    LeftWrist = "left_wrist",
    RightWrist = "right_wrist",
    LeftPinky = "left_pinky",
    RightPinky = "right_pinky",
    LeftIndex = "left_index",
    RightIndex = "right_index",
    LeftThumb = "left_thumb",
    RightThumb = "right_thumb",
    LeftHip = "left_hip",
    RightHip = "right_hip",
    LeftKnee = "left_knee",
    RightKnee = "right_knee",
    LeftAnkle = "left_ankle",
    RightAnkle = "right_ankle",
    LeftHeel = "left_heel",
    RightHeel = "right_heel",
    LeftFootIndex = "left_foot_index",
    RightFootIndex = "right_foot_index",
}

impl Landmark {
    /// The landmark of this name, if there is one.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|l| l.name() == name)
    }

    /// Index in the model's output, 0 to 32.
    pub const fn index(self) -> usize {
        self as usize
    }
}

impl fmt::Display for Landmark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_lead_back_to_their_landmark_in_output_order() {
        for (i, landmark) in Landmark::ALL.into_iter().enumerate() {
            assert_eq!(landmark.index(), i);
            assert_eq!(Landmark::from_name(landmark.name()), Some(landmark));
        }
        // Indices published with the model: wrists 15/16, heels 29/30, toes 31/32.
        assert_eq!(Landmark::LeftWrist.index(), 15);
        assert_eq!(Landmark::RightHeel.index(), 30);
        assert_eq!(Landmark::RightFootIndex.index(), 32);
    }
}
