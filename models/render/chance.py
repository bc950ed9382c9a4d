"""What is drawn at random about a hitter: dress, stance, swing. The clips (draw.py) and the bat network's images (../bat) draw from here."""
import numpy as np

from swing import Style, Swing

SKIN = [(0.87, 0.68, 0.58), (0.78, 0.58, 0.46), (0.62, 0.44, 0.33), (0.45, 0.31, 0.23), (0.3, 0.2, 0.15), (0.92, 0.75, 0.66)]
CLOTH = [(0.7, 0.1, 0.1), (0.1, 0.2, 0.5), (0.8, 0.8, 0.8), (0.12, 0.12, 0.13), (0.35, 0.35, 0.38), (0.1, 0.35, 0.2), (0.75, 0.6, 0.15), (0.4, 0.2, 0.5), (0.6, 0.75, 0.85)]
TROUSERS = [(0.78, 0.78, 0.78), (0.5, 0.5, 0.52), (0.12, 0.12, 0.14), (0.2, 0.25, 0.4), (0.6, 0.55, 0.45), (0.3, 0.3, 0.32)]
GROWN = [0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 13, 14, 15, 16, 17, 18, 19, 20, 21, 22, 23, 27, 28, 29]
CHILDREN = [9, 10, 11, 24, 25, 26]


def look(rng, bat=True):
    pick = lambda x: np.array(x[rng.integers(len(x))]) * rng.uniform(0.85, 1.1)
    shirt, skin = pick(CLOTH), pick(SKIN)
    out = {"skin": skin, "shirt": shirt, "trousers": pick(TROUSERS), "shoes": pick([(0.05, 0.05, 0.05), (0.8, 0.8, 0.8), (0.3, 0.1, 0.1)]), "hair": pick([(0.1, 0.07, 0.05), (0.4, 0.27, 0.12), (0.5, 0.5, 0.5), (0.6, 0.5, 0.3)]),
           "hat": str(rng.choice(["none", "cap", "helmet"], p=[0.3, 0.35, 0.35])), "hat_color": pick(CLOTH), "stripe": (int(rng.integers(0, 3)) if rng.random() < 0.35 else 0, rng.uniform(10, 24)), "stripe_color": tuple(pick(CLOTH))}
    if rng.random() < 0.35:
        out["sleeves"] = shirt * 0.9
    if rng.random() < 0.4:
        out["gloves"] = pick(CLOTH)
    if bat:
        out["bat"] = pick([(0.75, 0.55, 0.3), (0.5, 0.32, 0.15), (0.08, 0.08, 0.09), (0.7, 0.7, 0.72), (0.6, 0.1, 0.1), (0.15, 0.3, 0.6)])
        out["bat_shine"] = rng.uniform(0.05, 0.7)
    return out


def style(rng):
    n = lambda m, s, lo, hi: float(np.clip(rng.normal(m, s), lo, hi))
    return Style(width=n(0.6, 0.1, 0.4, 0.82), crouch=n(0.9, 0.025, 0.85, 0.95), hinge=n(21, 5, 10, 32), closed=n(0, 5, -12, 10),
                 hands=(n(-60, 7, -74, -45), n(0.32, 0.03, 0.26, 0.38), n(-0.02, 0.06, -0.14, 0.1)),
                 bat_up=(n(-0.25, 0.2, -0.7, 0.2), n(0.9, 0.15, 0.45, 1), n(-0.35, 0.2, -0.8, 0.1)), foot_yaw=(n(6, 8, -8, 22), n(-4, 6, -14, 8)),
                 head_yaw=n(55, 10, 35, 75), weight=n(0.5, 0.03, 0.44, 0.55))


def swing(rng, take=False):
    u = rng.uniform
    n = lambda m, s, lo, hi: float(np.clip(rng.normal(m, s), lo, hi))
    lift_to_plant = n(0.72, 0.16, 0.45, 1.1)
    load_to_plant = max(0.25, min(n(0.47, 0.06, 0.36, 0.6), lift_to_plant - 0.06))
    stride = n(0.19, 0.08, 0.03, 0.36)
    lean = n(-8, 4, -16, 2)
    return Swing(gather_to_lift=u(0.14, 0.5), lift_to_load=lift_to_plant - load_to_plant, load_to_plant=load_to_plant, plant_to_contact=u(0.1, 0.19), follow=u(0.3, 0.46),
                 back=u(0.03, 0.1), stride=stride, shift=u(0.5, 0.75), through=u(0.03, 0.08), foot_height=u(0.03, 0.22), toe_down=u(8, 28), roll=u(0.045, 0.11), open=n(32, 10, 8, 58),
                 hands_back=u(0.0, 0.1), lean_plant=lean, lean_contact=lean + n(-5, 2.5, -10, 1), hinge_change=n(0, 4, -8, 8), pelvis_closed=n(-22, 8, -36, -6), pelvis_plant=n(10, 7, -2, 24),
                 pelvis_contact=n(75, 6, 62, 88), separation=n(44, 7, 28, 55), drop=u(0.01, 0.08), height=u(-0.56, -0.3), attack=u(-2, 14), tilt=u(18, 38), tap=bool(rng.random() < 0.12),
                 heel_early=u(0.0, 0.09), take=take, hang=u(0, 1))
