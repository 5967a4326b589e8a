"""Columns of the outside plant's arrays, and the figures of what stands around the package's model."""

from collections import namedtuple

GRAVITY = 9.81
"""As in the package [m/s2]."""

Train = namedtuple(
    "Train",
    "drag rolling front_driven engine_inertia gearbox_inertia primary_inertia stiffness damping efficiency "
    "cylinders fuel cut_effect ecu_delay intake_lag friction0 friction1 throttle_shape idle_rpm limit_rpm "
    "load_lag clutch_nm loop_hz min_speed gate factor_driven radius_nominal teeth ripple track brake_max",
)
"""Figures of everything around the package's model, SI unless named otherwise; times in s."""

# states after the package's nine
I_SHAFT, I_TWIST, I_INTAKE, I_LOAD, I_ENGINE, N_STATES = 9, 10, 11, 12, 13, 14
# columns of a phase of the driver's schedule
(
    P_KIND, P_GEAR, P_SPEED, P_U0, P_U1, P_RAMP, P_TIME, P_PATCH, P_GRIP, P_DIP, P_ALPHA, P_SHARE, P_BASE, P_SHIFT,
    P_CLOSE, P_OVER, N_PHASE,
) = range(17)  # fmt: skip
APPROACH, COAST, CRUISE, EVENT = range(4)
# columns of the trace, one row per step
(
    T_TIME, T_SPEED, T_WHEEL, T_ACC, T_FORCE, T_LOAD, T_RPM, T_THROTTLE, T_BRAKE, T_GEAR, T_PHASE,
    T_CUT, T_CLUTCH, T_GRIP, T_ALPHA, T_SHARE, T_INTAKE, T_LATACC, N_TRACE,
) = range(19)  # fmt: skip
# columns of what the controller saw, one row per cycle
C_TIME, C_FL, C_FR, C_RL, C_RR, C_TARGET, C_CUT, N_CYCLE = range(8)
