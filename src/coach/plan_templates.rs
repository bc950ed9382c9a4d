//! The plans that ship with the program.

/// A plan that a coach can start from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PlanTemplate {
    /// The name, as in the text.
    pub name: &'static str,
    /// What it is for, one sentence.
    pub(crate) about: &'static str,
    /// The plan.
    pub text: &'static str,
}

/// All templates. What they work on and how many swings they take is common practice, no source; why they cue as they do
/// is said at `CueSchedule`. They leave the bands to the settings, where the coach has set them.
pub const PLAN_TEMPLATES: [PlanTemplate; 6] = [
    PlanTemplate {
        name: "head still",
        about: "The head stays where it is while the front foot goes out and the bat comes through.",
        text: r#"name = "head still"
focus = ["head_to_plant_cm", "head_to_contact_cm", "head_drop_cm"]

[cues]
when = "faded"

[set]
reps = 20
rest_after_reps = 10
rest_secs = 60
"#,
    },
    PlanTemplate {
        name: "foot down on time",
        about: "An early, unhurried load, and the front foot down before the ball is there.",
        text: r#"name = "foot down on time"
focus = ["plant_to_arrival_ms", "gather_to_plant_ms", "lift_to_plant_ms", "plant_to_contact_ms"]

[cues]
when = "every-nth"
every = 2

[set]
reps = 20
rest_after_reps = 10
rest_secs = 60

[pitch]
level = "high-school"
"#,
    },
    PlanTemplate {
        name: "stay back",
        about: "Weight goes back before it goes forward, and is still back when a slow pitch comes.",
        text: r#"name = "stay back"
focus = ["weight_kept_pct", "back_before_forward", "head_between_feet_pct"]

[cues]
when = "out-of-band"

[set]
reps = 18
rest_after_reps = 9
rest_secs = 90

[pitch]
level = "high-school"
mixed = true
"#,
    },
    PlanTemplate {
        name: "on plane",
        about: "The barrel is on the ball's line early and goes long through it.",
        text: r#"name = "on plane"
focus = ["attack_to_pitch_deg"]

[cues]
when = "out-of-band"

[set]
reps = 20
rest_after_reps = 10
rest_secs = 90
"#,
    },
    PlanTemplate {
        name: "legs lead",
        about: "The swing goes from the ground up: front foot down, hips, hands, and the bat last.",
        text: r#"name = "legs lead"
focus = ["sequence", "separation_deg", "plant_to_contact_ms", "back_before_forward"]

[cues]
when = "faded"

[set]
reps = 20
rest_after_reps = 10
rest_secs = 60
"#,
    },
    PlanTemplate {
        name: "test round",
        about: "No cues: what was learned shows when they are away. Best a day or more after the last \
                round.",
        text: r#"name = "test round"
focus = ["head_to_plant_cm", "gather_to_plant_ms", "plant_to_contact_ms"]

[cues]
when = "silent"

[set]
reps = 10
"#,
    },
];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::coach::{Plan, Verdict, cue_for};

    #[test]
    fn each_template_is_a_plan_whose_measures_have_cues() {
        for template in PLAN_TEMPLATES {
            let plan = Plan::parse(template.text).unwrap();
            assert_eq!(plan.name, template.name);
            for measure in &plan.focus {
                let cued = |verdict| cue_for(*measure, verdict).is_some();
                assert!(cued(Verdict::Low) || cued(Verdict::High), "{measure}");
            }
            assert!(!plan.head_tone, "the tone is off where nobody asked for it");
        }
    }
}
