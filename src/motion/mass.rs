//! The center of mass of the whole body, from a published table of body segments.
//!
//! In: landmarks over time. Out: one [`PointSeries`]. Pure. The center is a weighted mean of landmarks, so it has their
//! plane and unit, be it pixels or leveled centimeters. It is not smoothed: each reader chooses the cutoff.

use crate::pose::Landmark;

use super::series::PointSeries;
use super::signals::MissingLandmark;

/// One segment of the body.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Segment {
    /// Mass as a share of the whole body's.
    pub mass: f64,
    /// Where its center of mass lies, as a share of its length from the end nearer the trunk, or nearer the head.
    pub center: f64,
}

/// Segment masses and centers of mass of an adult. Limbs are counted for one side.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct SegmentTable {
    /// Mass of the head, as a share. The table measures its center from the top of the head, which no pose model
    /// gives; [`center_of_mass`] says what stands in for it.
    pub head_mass: f64,
    /// Middle of the shoulder joints to middle of the hip joints.
    pub trunk: Segment,
    /// Shoulder to elbow.
    pub upper_arm: Segment,
    /// Elbow to wrist.
    pub forearm: Segment,
    /// Wrist to third knuckle. The share is another one where the hand is measured to its fingertip.
    pub hand: Segment,
    /// Hip to knee.
    pub thigh: Segment,
    /// Knee to ankle.
    pub shank: Segment,
    /// Heel to toe tip.
    pub foot: Segment,
}

impl SegmentTable {
    /// Men: de Leva 1996, J Biomech 29(9):1223-1230, Zatsiorsky and Seluyanov's data adjusted to joint centers.
    pub(crate) const DE_LEVA_MALE: Self = Self {
        head_mass: 0.0694,
        trunk: segment(0.4346, 0.4310),
        upper_arm: segment(0.0271, 0.5772),
        forearm: segment(0.0162, 0.4574),
        hand: segment(0.0061, 0.7900),
        thigh: segment(0.1416, 0.4095),
        shank: segment(0.0433, 0.4395),
        foot: segment(0.0137, 0.4415),
    };

    /// Women: the same source.
    pub(crate) const DE_LEVA_FEMALE: Self = Self {
        head_mass: 0.0668,
        trunk: segment(0.4257, 0.3782),
        upper_arm: segment(0.0255, 0.5754),
        forearm: segment(0.0138, 0.4559),
        hand: segment(0.0056, 0.7474),
        thigh: segment(0.1478, 0.3612),
        shank: segment(0.0481, 0.4352),
        foot: segment(0.0129, 0.4014),
    };

    /// The mean of men and women, for a hitter of whom neither is known.
    pub(crate) const DE_LEVA_MEAN: Self = Self::DE_LEVA_MALE.mean(&Self::DE_LEVA_FEMALE);

    /// Halfway between two tables, each mass and each share by itself.
    pub(crate) const fn mean(&self, other: &Self) -> Self {
        Self {
            head_mass: 0.5 * (self.head_mass + other.head_mass),
            trunk: halfway(self.trunk, other.trunk),
            upper_arm: halfway(self.upper_arm, other.upper_arm),
            forearm: halfway(self.forearm, other.forearm),
            hand: halfway(self.hand, other.hand),
            thigh: halfway(self.thigh, other.thigh),
            shank: halfway(self.shank, other.shank),
            foot: halfway(self.foot, other.foot),
        }
    }
}

const fn segment(mass: f64, center: f64) -> Segment {
    Segment { mass, center }
}

const fn halfway(a: Segment, b: Segment) -> Segment {
    segment(0.5 * (a.mass + b.mass), 0.5 * (a.center + b.center))
}

/// The landmarks of one side of the body.
struct SideLandmarks {
    shoulder: Landmark,
    elbow: Landmark,
    wrist: Landmark,
    knuckles: [Landmark; 2],
    hip: Landmark,
    knee: Landmark,
    ankle: Landmark,
    heel: Landmark,
    toe: Landmark,
}

const LEFT: SideLandmarks = SideLandmarks {
    shoulder: Landmark::LeftShoulder,
    elbow: Landmark::LeftElbow,
    wrist: Landmark::LeftWrist,
    knuckles: [Landmark::LeftIndex, Landmark::LeftPinky],
    hip: Landmark::LeftHip,
    knee: Landmark::LeftKnee,
    ankle: Landmark::LeftAnkle,
    heel: Landmark::LeftHeel,
    toe: Landmark::LeftFootIndex,
};

const RIGHT: SideLandmarks = SideLandmarks {
    shoulder: Landmark::RightShoulder,
    elbow: Landmark::RightElbow,
    wrist: Landmark::RightWrist,
    knuckles: [Landmark::RightIndex, Landmark::RightPinky],
    hip: Landmark::RightHip,
    knee: Landmark::RightKnee,
    ankle: Landmark::RightAnkle,
    heel: Landmark::RightHeel,
    toe: Landmark::RightFootIndex,
};

/// The center of mass of the whole body, in the plane and unit of the series that `at` gives.
///
/// All series must have the same length. Trunk, thighs and shanks are needed. The rest depends on what the source has,
/// and the weights are brought back to a sum of 1 over what there is:
/// - the head's mass sits at the middle of the ears, else at the nose. The table's own ends (top of the head, middle of
///   the jaw's angles) are no landmarks; the ear is where the table of Winter, after Dempster, puts the center of head
///   and neck, and de Leva's center lies within about 2 cm of it;
/// - the third knuckle is the middle between the knuckles of index and little finger; without them the hand is left out;
/// - a foot without heel or toe has its mass at the ankle.
///
/// Its visibility is the mean of the segments', each weighing its mass, a segment being seen as well as its worse end.
///
/// # Errors
/// Where the source lacks a shoulder, hip, knee or ankle.
pub(crate) fn center_of_mass(
    table: &SegmentTable,
    at: &dyn Fn(Landmark) -> Option<PointSeries>,
) -> Result<PointSeries, MissingLandmark> {
    let need = |l: Landmark| at(l).ok_or(MissingLandmark(l));
    let both = |a: Landmark, b: Landmark| Some(PointSeries::middle(&at(a)?, &at(b)?));

    let shoulders = PointSeries::middle(&need(LEFT.shoulder)?, &need(RIGHT.shoulder)?);
    let hips = PointSeries::middle(&need(LEFT.hip)?, &need(RIGHT.hip)?);
    let mut sum = Sum::new(hips.x.len());
    sum.segment(table.trunk, &shoulders, &hips);
    if let Some(head) = both(Landmark::LeftEar, Landmark::RightEar).or_else(|| at(Landmark::Nose)) {
        sum.point(table.head_mass, &head);
    }
    for side in [LEFT, RIGHT] {
        let (hip, knee, ankle) = (need(side.hip)?, need(side.knee)?, need(side.ankle)?);
        sum.segment(table.thigh, &hip, &knee);
        sum.segment(table.shank, &knee, &ankle);
        match (at(side.heel), at(side.toe)) {
            (Some(heel), Some(toe)) => sum.segment(table.foot, &heel, &toe),
            _ => sum.point(table.foot.mass, &ankle),
        }
        if let (Some(elbow), Some(wrist)) = (at(side.elbow), at(side.wrist)) {
            sum.segment(table.upper_arm, &need(side.shoulder)?, &elbow);
            sum.segment(table.forearm, &elbow, &wrist);
            if let Some(knuckle) = both(side.knuckles[0], side.knuckles[1]) {
                sum.segment(table.hand, &wrist, &knuckle);
            }
        }
    }
    Ok(sum.mean())
}

/// Weighted sums over the segments so far, one for each sample.
struct Sum {
    mass: f64,
    sums: PointSeries,
}

impl Sum {
    fn new(len: usize) -> Self {
        Self {
            mass: 0.0,
            sums: PointSeries {
                x: vec![0.0; len],
                y: vec![0.0; len],
                visibility: vec![0.0; len],
            },
        }
    }

    fn segment(&mut self, segment: Segment, near: &PointSeries, far: &PointSeries) {
        let to_far = segment.mass * segment.center;
        self.add(segment.mass - to_far, near);
        self.add(to_far, far);
        for (v, (a, b)) in self
            .sums
            .visibility
            .iter_mut()
            .zip(near.visibility.iter().zip(&far.visibility))
        {
            *v += segment.mass * a.min(*b);
        }
    }

    fn point(&mut self, mass: f64, at: &PointSeries) {
        self.add(mass, at);
        for (v, a) in self.sums.visibility.iter_mut().zip(&at.visibility) {
            *v += mass * a;
        }
    }

    fn add(&mut self, mass: f64, at: &PointSeries) {
        self.mass += mass;
        for (sum, x) in self.sums.x.iter_mut().zip(&at.x) {
            *sum += mass * x;
        }
        for (sum, y) in self.sums.y.iter_mut().zip(&at.y) {
            *sum += mass * y;
        }
    }

    fn mean(mut self) -> PointSeries {
        for v in [
            &mut self.sums.x,
            &mut self.sums.y,
            &mut self.sums.visibility,
        ] {
            v.iter_mut().for_each(|v| *v /= self.mass);
        }
        self.sums
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;
    use Landmark::*;

    const MALE: SegmentTable = SegmentTable::DE_LEVA_MALE;
    const FEMALE: SegmentTable = SegmentTable::DE_LEVA_FEMALE;

    type Figure = BTreeMap<Landmark, (f64, f64)>;

    /// A man of sticks who stands upright, seen from in front, arms straight out to both sides, centimeters.
    fn t_pose() -> Figure {
        let half = [
            (LeftEar, (10.0, 165.0)),
            (LeftShoulder, (20.0, 150.0)),
            (LeftElbow, (50.0, 150.0)),
            (LeftWrist, (75.0, 150.0)),
            (LeftIndex, (85.0, 152.0)),
            (LeftPinky, (85.0, 148.0)),
            (LeftHip, (10.0, 90.0)),
            (LeftKnee, (10.0, 50.0)),
            (LeftAnkle, (10.0, 10.0)),
            (LeftHeel, (10.0, 5.0)),
            (LeftFootIndex, (10.0, 0.0)),
        ];
        let mut figure: Figure = half.into();
        for (l, (x, y)) in half {
            figure.insert(other_side(l), (-x, y));
        }
        figure
    }

    /// The left and right landmarks of the list stand next to each other, left first.
    fn other_side(l: Landmark) -> Landmark {
        let i = l.index();
        let left = l.name().starts_with("left");
        Landmark::ALL[if left { i + 1 } else { i - 1 }]
    }

    fn center(table: &SegmentTable, figure: &Figure) -> (f64, f64) {
        let at = |l: Landmark| {
            figure.get(&l).map(|&(x, y)| PointSeries {
                x: vec![x],
                y: vec![y],
                visibility: vec![1.0],
            })
        };
        let path = center_of_mass(table, &at).unwrap();
        assert!((path.visibility[0] - 1.0).abs() < 1e-12);
        (path.x[0], path.y[0])
    }

    fn close(a: f64, b: f64) -> bool {
        (a - b).abs() < 1e-9
    }

    /// Mass of all segments, both sides: 1 but for the rounding of the table.
    fn whole(table: &SegmentTable) -> f64 {
        let limbs = table.upper_arm.mass
            + table.forearm.mass
            + table.hand.mass
            + table.thigh.mass
            + table.shank.mass
            + table.foot.mass;
        table.head_mass + table.trunk.mass + 2.0 * limbs
    }

    #[test]
    fn the_tables_add_up_to_a_whole_body() {
        // de Leva 1996, table 4, as transcribed in BMClab's BSPmale_ZdeLeva.txt and BSPfemale_ZdeLeva.txt: head and trunk
        // plus twice the limbs make 1.0000 for men and, by rounding, 0.9999 for women.
        assert!(close(whole(&MALE), 1.0), "{}", whole(&MALE));
        assert!(close(whole(&FEMALE), 0.9999), "{}", whole(&FEMALE));
        assert!(close(whole(&SegmentTable::DE_LEVA_MEAN), 0.999_95));
    }

    #[test]
    fn the_tables_hold_the_published_rows() {
        // The rows as the source prints them: mass in percent for women and men, center in percent of the length
        // for women and men. The rows for the fingertip, the mid-hip from the neck and the like must not slip in.
        let rows = [
            ("trunk, MIDS-MIDH", 42.57, 43.46, 37.82, 43.10),
            ("upper arm, SJC-EJC", 2.55, 2.71, 57.54, 57.72),
            ("forearm, EJC-WJC", 1.38, 1.62, 45.59, 45.74),
            ("hand, WJC-MET3", 0.56, 0.61, 74.74, 79.00),
            ("thigh, HJC-KJC", 14.78, 14.16, 36.12, 40.95),
            ("shank, KJC-AJC", 4.81, 4.33, 43.52, 43.95),
            ("foot, HEEL-TTIP", 1.29, 1.37, 40.14, 44.15),
        ];
        let ours = |t: &SegmentTable| {
            [
                t.trunk,
                t.upper_arm,
                t.forearm,
                t.hand,
                t.thigh,
                t.shank,
                t.foot,
            ]
        };
        for ((row, women), men) in rows.iter().zip(ours(&FEMALE)).zip(ours(&MALE)) {
            let (name, mass_women, mass_men, center_women, center_men) = *row;
            assert!(close(100.0 * women.mass, mass_women), "{name}");
            assert!(close(100.0 * men.mass, mass_men), "{name}");
            assert!(close(100.0 * women.center, center_women), "{name}");
            assert!(close(100.0 * men.center, center_men), "{name}");
        }
        assert!(close(100.0 * FEMALE.head_mass, 6.68));
        assert!(close(100.0 * MALE.head_mass, 6.94));
    }

    #[test]
    fn a_t_pose_comes_out_as_by_hand() {
        // Men's table, heights in centimeters, mass times height of the segment's own center:
        //   head       0.0694 * 165                                  = 11.451 0
        //   trunk      0.4346 * (150 - 0.4310 * 60 = 124.14)         = 53.951 244
        //   arms   2 * (0.0271 + 0.0162 + 0.0061) * 150              = 14.820 0
        //   thighs 2 * 0.1416 * (90 - 0.4095 * 40 = 73.62)           = 20.849 184
        //   shanks 2 * 0.0433 * (50 - 0.4395 * 40 = 32.42)           =  2.807 572
        //   feet   2 * 0.0137 * (5 - 0.4415 * 5 = 2.7925)            =  0.076 514 5
        // The masses add up to 1, so the sum is the height of the center of mass: 58 % of a standing height of about 178 cm,
        // a little above the usual 55 to 57 % because the arms are raised.
        let (x, y) = center(&MALE, &t_pose());
        assert!(close(x, 0.0), "{x}");
        assert!(close(y, 103.955_514_5), "{y}");
    }

    #[test]
    fn one_arm_let_down_moves_the_center_away_from_it() {
        // The left arm hangs: elbow at (20, 120), wrist (20, 95), knuckles (20, 85). Against the T-pose sideways
        //   upper arm 0.0271 * 0.5772 * (20 - 50)                             = -0.469 263 6
        //   forearm   0.0162 * ((20 - 50) + 0.4574 * ((20 - 20) - (75 - 50))) = -0.671 247
        //   hand      0.0061 * ((20 - 75) + 0.79 * ((20 - 20) - (85 - 75)))   = -0.383 69
        let mut figure = t_pose();
        for (l, place) in [
            (LeftElbow, (20.0, 120.0)),
            (LeftWrist, (20.0, 95.0)),
            (LeftIndex, (20.0, 85.0)),
            (LeftPinky, (20.0, 85.0)),
        ] {
            figure.insert(l, place);
        }
        let (x, _) = center(&MALE, &figure);
        assert!((x - -1.524_200_6).abs() < 1e-6, "{x}");
    }

    #[test]
    fn a_mirrored_body_has_its_center_mirrored() {
        let mut figure = t_pose();
        figure.insert(LeftKnee, (35.0, 60.0));
        figure.insert(LeftWrist, (3.0, 140.0));
        figure.insert(RightFootIndex, (-30.0, 2.0));
        let mirrored: Figure = figure
            .iter()
            .map(|(&l, &(x, y))| (other_side(l), (-x, y)))
            .collect();
        for table in [MALE, FEMALE, SegmentTable::DE_LEVA_MEAN] {
            let (a, b) = (center(&table, &figure), center(&table, &mirrored));
            assert!(a.0.abs() > 0.1);
            assert!(close(a.0, -b.0) && close(a.1, b.1), "{a:?} {b:?}");
        }
    }

    #[test]
    fn without_hands_and_toes_the_rest_weighs_the_whole() {
        // 17 points have no knuckles, heels and toes. By hand from the T-pose's sum: the hands' 2 * 0.0061 at 150 cm go, the
        // feet stand at the ankles' 10 cm instead of 2.7925 cm, and what is left weighs 1 - 0.0122.
        let sum = 103.955_514_5 - 0.0122 * 150.0 + 0.0274 * (10.0 - 2.7925);
        let mut figure = t_pose();
        for l in [LeftIndex, LeftPinky, LeftHeel, LeftFootIndex] {
            figure.remove(&l);
            figure.remove(&other_side(l));
        }
        let (x, y) = center(&MALE, &figure);
        assert!(close(x, 0.0) && close(y, sum / 0.9878), "{y}");

        // 13 points have no ears: the nose stands in.
        figure.remove(&LeftEar);
        figure.remove(&RightEar);
        figure.insert(Nose, (0.0, 162.0));
        let (_, nose) = center(&MALE, &figure);
        assert!(close(nose, (sum - 0.0694 * 3.0) / 0.9878), "{nose}");
    }

    #[test]
    fn a_body_without_knees_is_refused() {
        let at = |l: Landmark| {
            (l != LeftKnee)
                .then(|| PointSeries::middle(&PointSeries::default(), &PointSeries::default()))
        };
        let refused = center_of_mass(&MALE, &at).unwrap_err();
        assert_eq!(refused, MissingLandmark(LeftKnee));
    }
}
