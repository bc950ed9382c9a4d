//! The sounds that travel inside the program. Their origin and licence: `assets/README.md`.

/// The list of phrases that [`FILES`] belong to.
pub(super) const PHRASES: &str = include_str!("assets/phrases.toml");

/// File name and contents of every spoken phrase.
pub(super) const FILES: &[(&str, &[u8])] = &[
    (
        "head_forward.wav",
        include_bytes!("assets/head_forward.wav"),
    ),
    ("head_back.wav", include_bytes!("assets/head_back.wav")),
    (
        "head_forward_in_swing.wav",
        include_bytes!("assets/head_forward_in_swing.wav"),
    ),
    (
        "head_back_in_swing.wav",
        include_bytes!("assets/head_back_in_swing.wav"),
    ),
    (
        "head_dropped.wav",
        include_bytes!("assets/head_dropped.wav"),
    ),
    ("head_rose.wav", include_bytes!("assets/head_rose.wav")),
    (
        "over_front_foot.wav",
        include_bytes!("assets/over_front_foot.wav"),
    ),
    (
        "over_back_foot.wav",
        include_bytes!("assets/over_back_foot.wav"),
    ),
    ("stride_long.wav", include_bytes!("assets/stride_long.wav")),
    (
        "stride_short.wav",
        include_bytes!("assets/stride_short.wav"),
    ),
    ("load_late.wav", include_bytes!("assets/load_late.wav")),
    ("load_slow.wav", include_bytes!("assets/load_slow.wav")),
    (
        "stride_hurried.wav",
        include_bytes!("assets/stride_hurried.wav"),
    ),
    ("stride_slow.wav", include_bytes!("assets/stride_slow.wav")),
    (
        "foot_down_late.wav",
        include_bytes!("assets/foot_down_late.wav"),
    ),
    (
        "foot_down_early.wav",
        include_bytes!("assets/foot_down_early.wav"),
    ),
    ("hands_late.wav", include_bytes!("assets/hands_late.wav")),
    ("hands_far.wav", include_bytes!("assets/hands_far.wav")),
    ("foot_closed.wav", include_bytes!("assets/foot_closed.wav")),
    ("foot_open.wav", include_bytes!("assets/foot_open.wav")),
    (
        "posture_bent.wav",
        include_bytes!("assets/posture_bent.wav"),
    ),
    (
        "posture_upright.wav",
        include_bytes!("assets/posture_upright.wav"),
    ),
    (
        "posture_changed.wav",
        include_bytes!("assets/posture_changed.wav"),
    ),
    (
        "weight_forward.wav",
        include_bytes!("assets/weight_forward.wav"),
    ),
    (
        "weight_hung_back.wav",
        include_bytes!("assets/weight_hung_back.wav"),
    ),
    (
        "weight_not_back.wav",
        include_bytes!("assets/weight_not_back.wav"),
    ),
    (
        "weight_far_back.wav",
        include_bytes!("assets/weight_far_back.wav"),
    ),
    (
        "weight_early.wav",
        include_bytes!("assets/weight_early.wav"),
    ),
    (
        "balance_lost.wav",
        include_bytes!("assets/balance_lost.wav"),
    ),
    (
        "finish_short.wav",
        include_bytes!("assets/finish_short.wav"),
    ),
    (
        "sequence_off.wav",
        include_bytes!("assets/sequence_off.wav"),
    ),
    (
        "separation_small.wav",
        include_bytes!("assets/separation_small.wav"),
    ),
    ("ready.wav", include_bytes!("assets/ready.wav")),
    ("not_in_view.wav", include_bytes!("assets/not_in_view.wav")),
    ("feet_hidden.wav", include_bytes!("assets/feet_hidden.wav")),
    ("too_dark.wav", include_bytes!("assets/too_dark.wav")),
];
