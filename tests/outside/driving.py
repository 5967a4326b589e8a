"""Schedules of driving for the outside plant: a run's manoeuvres, one after another, as rows of phases."""

import numpy as np
from outside import layout as lay
from outside.driftmodel import slip_angle

KINDS = ("stab", "roll-on", "exit", "damp", "kerb", "shift", "straight")
"""What a driver meets on a lap; "straight" is full throttle in a gear that cannot break traction."""
WEIGHTS = (0.21, 0.17, 0.17, 0.13, 0.12, 0.14, 0.06)
CAUSES = {
    "stab": "throttle",
    "roll-on": "throttle",
    "exit": "throttle",
    "damp": "damp",
    "kerb": "kerb",
    "shift": "shift",
}
"""Word of episodes.csv for each."""


def phase(kind, gear, **columns):
    """One row of the schedule; grip, load and throttle default to even ground and closed."""
    row = np.zeros(lay.N_PHASE)
    row[lay.P_KIND], row[lay.P_GEAR] = kind, gear
    row[[lay.P_GRIP, lay.P_DIP, lay.P_BASE]] = 1.0
    for name, value in columns.items():
        row[getattr(lay, name)] = value
    return row


def speed_at(car, gear, share):
    """Vehicle speed [m/s] at a share of limit_rpm in a gear."""
    return share * car.train.limit_rpm * 2.0 * np.pi / 60.0 / car.overall[gear - 1] * car.body.R_w


def event(car, kind, gear, rng):
    """One manoeuvre: its phase and the speed at which it is entered [m/s]."""
    ramp, u0, u1 = rng.uniform(0.04, 0.15), rng.uniform(0.05, 0.12), rng.choice([1.0, 1.0, 1.0, 0.8])
    quiet, hold, own = rng.uniform(0.25, 0.5), rng.uniform(1.3, 3.0), {}
    share = rng.uniform(0.30, 0.62)
    if kind == "roll-on":
        ramp, u1 = rng.uniform(0.5, 1.2), rng.uniform(0.7, 1.0)
    elif kind == "exit":
        ramp = rng.uniform(0.3, 0.9)
        used = rng.uniform(0.15, 0.5)
        own = {"P_SHARE": used, "P_ALPHA": slip_angle(car.body.tire, used)}
    elif kind in ("damp", "kerb"):
        # the driver is on the power already when the patch comes
        own = {"P_PATCH": rng.uniform(0.35, 0.7), "P_GRIP": rng.uniform(0.68, 0.82)}
        if kind == "kerb":
            own = {
                "P_PATCH": rng.uniform(0.1, 0.3),
                "P_GRIP": rng.uniform(0.5, 0.7),
                "P_DIP": rng.uniform(0.7, 0.9),
            }
        u0 = u1 = rng.uniform(0.55, 1.0)
        quiet, share = 0.6, rng.uniform(0.35, 0.55)
    elif kind == "shift":
        own = {"P_SHIFT": rng.uniform(0.06, 0.12), "P_CLOSE": rng.uniform(0.04, 0.10)}
        u0 = u1 = 1.0
        quiet = 0.5
        share = 0.80 * car.overall[gear - 1] / car.overall[gear - 2]
    elif kind == "straight":
        ramp, hold = 0.4, 4.0
    row = phase(
        lay.EVENT, gear, P_SPEED=quiet, P_U0=u0, P_U1=u1, P_RAMP=ramp, P_TIME=quiet + hold, **own
    )  # fmt: skip
    return row, speed_at(car, gear, share)


def run_schedule(car, seconds, grip, rng):
    """Phases of one run.

    Parameters
    ----------
    car : OutsideCar
    seconds : float
        Rough length [s]; the plant stops when its trace is full.
    grip : (float, float)
        Grip of even ground over the tyre's own at the start and at the end of the run [1].
    rng : numpy.random.Generator

    Returns
    -------
    phases : float64[NP, N_PHASE]
    kinds : list of str
        Kind of each phase; "" where nothing happens.
    """
    rows, kinds, planned = [], [], 0.0
    share = np.asarray([0.12, 0.44, 0.44])
    while planned < seconds:
        kind = str(rng.choice(KINDS, p=WEIGHTS))
        gear = int(rng.choice(car.gears, p=share))
        if kind == "shift":
            gear = int(rng.choice([2, 3]))
        if kind == "straight":
            gear = int(rng.choice([4, 5]))
        row, speed = event(car, kind, gear, rng)
        before = gear - 1 if kind == "shift" else gear
        base = grip[0] + (grip[1] - grip[0]) * min(1.0, planned / seconds)
        ahead = [
            phase(lay.COAST, before, P_TIME=rng.uniform(0.5, 1.2)),
            phase(lay.APPROACH, before, P_SPEED=speed, P_U0=0.30, P_TIME=12.0),
            phase(lay.CRUISE, before, P_U0=rng.uniform(0.05, 0.12), P_TIME=rng.uniform(0.6, 1.6)),
        ]
        for one in (*ahead, row):
            one[lay.P_BASE] = base
            one[lay.P_ALPHA] *= (
                base  # stiffness is the rubber's: the same share of less grip needs less angle
            )
            rows.append(one)
        kinds += ["", "", "", kind]
        planned += 6.0
    return np.array(rows), kinds
