-- Version 2. How the hitter stands and loads; NULL where not seen, and for reps of version 1.

ALTER TABLE reps ADD COLUMN stance_width_cm REAL;
ALTER TABLE reps ADD COLUMN hand_height_cm REAL;
ALTER TABLE reps ADD COLUMN lift_height_cm REAL;
ALTER TABLE reps ADD COLUMN load TEXT CHECK (load IN ('toe_tap', 'leg_lift', 'slide', 'no_stride'));
