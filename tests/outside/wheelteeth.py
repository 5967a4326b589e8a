"""Wheel speeds from the times at which teeth pass a sensor, with the ripple of an eccentric ring."""

import math

from numba import njit

W_ANGLE, W_TOOTH, W_LAST, W_USED, W_EDGES, W_SEEN, N_SENSOR = range(7)
"""Columns of a sensor: angle [rad], next tooth, time of the last edge and of the last one used [s], edges since
then, speed told [m/s]."""


@njit
def pass_teeth(c, wheels, phase0, t, dt, front_radps, rear_radps, split):
    """Turn the four wheels by one step; note the times of edges. `split` is the inner wheel's loss of speed [1]."""
    pitch = 2.0 * math.pi / c.teeth
    for i in range(4):
        w = wheels[i]
        step = dt * (front_radps if i < 2 else rear_radps) * (1.0 - split if i % 2 == 0 else 1.0 + split)
        while step > 0.0:
            even = w[W_TOOTH] * pitch
            place = even + c.ripple * math.sin(even + phase0[i])
            if place > w[W_ANGLE] + step:
                break
            w[W_LAST] = t + dt * max(0.0, (place - w[W_ANGLE]) / step)
            w[W_EDGES] += 1.0
            w[W_TOOTH] += 1.0
        w[W_ANGLE] += step


@njit
def read_teeth(c, wheels, t):
    """Speed of each wheel from the edges since the last reading, or less where none came: column W_SEEN [m/s]."""
    way = 2.0 * math.pi / c.teeth * c.radius_nominal
    for i in range(4):
        w = wheels[i]
        if w[W_EDGES] > 0.0:
            w[W_SEEN] = w[W_EDGES] * way / max(w[W_LAST] - w[W_USED], 1e-6)
            w[W_USED], w[W_EDGES] = w[W_LAST], 0.0
        elif t - w[W_LAST] > way / max(w[W_SEEN], 0.1):
            w[W_SEEN] = way / (t - w[W_LAST])
