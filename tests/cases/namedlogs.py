"""Logs of invented cars under other names, units and orders, with what may be guessed of them.

The names are common practice in the languages, written from memory; factors of units are those of NIST SP 811.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from gridfit.carsheet import CarSheet
from gridfit.errors import InputError
from gridfit.signals.channelguess import guess
from gridfit.signals.channelmap import ChannelMap, read_channel_map
from gridfit.signals.rawlog import Header, RawLog, Wanted
from gridfit.signals.run import Channel

ORDER = ("time", "speed_fl", "speed_fr", "speed_rl", "speed_rr", "throttle", "rpm", "gear", "brake", "lateral_acc",
         "longitudinal_acc", "steering", "cut", "slip_target", "lambda", "lap")  # fmt: skip
_NAMES = {
    "plain": "Time|Wheel Speed FL|Wheel Speed FR|Wheel Speed RL|Wheel Speed RR|Throttle Position|Engine RPM|Gear|"
    "Brake Pressure|Lateral Acc|Longitudinal Acc|Steering Angle|Ignition Cut|Slip Target|Lambda|Lap Number",
    "words": "Elapsed Time|Front left|Front right|Rear left|Rear right|Pedal|Engine speed|Gear|Brake|Lat G|Long G|"
    "Steering|Cut|Target slip|Lambda 1|Lap",
    "snake": "time|ws_fl|ws_fr|ws_rl|ws_rr|tps|rpm|gear|brake_press|acc_lat|acc_long|steer_angle|cut_cmd|slip_target|"
    "lambda|lap_no",
    "camel": "logTime|wheelSpeedLF|wheelSpeedRF|wheelSpeedLR|wheelSpeedRR|throttlePos|engineRpm|gearPos|"
    "brakePressFront|accLat|accLong|steerAngle|cutLevel|slipAim|lambda1|lapCount",
    "run together": "TIME|WHLSPDFL|WHLSPDFR|WHLSPDRL|WHLSPDRR|THROTTLEPOS|ENGINERPM|GEAR|BRAKEPRESS|LATACC|LONGACC|"
    "STEERANGLE|CUTCMD|SLIPTARGET|LAMBDA|LAP",
    "letters": "t|vFL|vFR|vRL|vRR|thr|nmot|gear|brk|ay|ax|swa|cut|slip_soll|lambda|lap",
    "German": "Zeit|Radgeschwindigkeit vorne links|Radgeschwindigkeit vorne rechts|Radgeschwindigkeit hinten links|"
    "Radgeschwindigkeit hinten rechts|Drosselklappenwinkel|Motordrehzahl|Gang|Bremsdruck|Querbeschleunigung|"
    "Längsbeschleunigung|Lenkwinkel|Zündung Ausblendung|Sollschlupf|Lambda|Runde",
    "German, short": "Zeit|vRad_VL|vRad_VR|vRad_HL|vRad_HR|Fahrpedal|Drehzahl|Gang|Bremse|Beschl_quer|Beschl_laengs|"
    "Lenkrad|Cut|Schlupf_Ziel|Lambda|Runde",
    "French": "Temps|Vitesse roue avant gauche|Vitesse roue avant droite|Vitesse roue arrière gauche|"
    "Vitesse roue arrière droite|Papillon|Régime moteur|Rapport|Pression frein|Accélération latérale|"
    "Accélération longitudinale|Angle volant|Coupure allumage|Consigne glissement|Lambda|Tour",
    "Spanish": "Tiempo|Velocidad rueda delantera izquierda|Velocidad rueda delantera derecha|"
    "Velocidad rueda trasera izquierda|Velocidad rueda trasera derecha|Mariposa|Revoluciones motor|Marcha|"
    "Presión freno|Aceleración lateral|Aceleración longitudinal|Ángulo volante|Corte encendido|"
    "Objetivo deslizamiento|Lambda|Vuelta",
    "Italian": "Tempo|Velocità ruota anteriore sinistra|Velocità ruota anteriore destra|"
    "Velocità ruota posteriore sinistra|Velocità ruota posteriore destra|Farfalla|Giri motore|Marcia|Pressione freno|"
    "Accelerazione laterale|Accelerazione longitudinale|Angolo sterzo|Taglio accensione|Slip obiettivo|Lambda|Giro",
    "Portuguese": "Tempo|Velocidade roda dianteira esquerda|Velocidade roda dianteira direita|"
    "Velocidade roda traseira esquerda|Velocidade roda traseira direita|Borboleta|Rotação motor|Marcha|Pressão freio|"
    "Aceleração lateral|Aceleração longitudinal|Ângulo volante|Corte ignição|Alvo escorregamento|Lambda|Volta",
    "Japanese": "Jikan|Sharinsoku mae hidari|Sharinsoku mae migi|Sharinsoku ushiro hidari|Sharinsoku ushiro migi|"
    "Surottoru kaido|Enjin kaitensu|Giya|Bureki|Yoko kasokudo|Zengo kasokudo|Dakaku|Katto|Mokuhyo suberi|Lambda|"
    "Shuukai",
}  # fmt: skip
STYLES = {style: dict(zip(ORDER, names.split("|"), strict=True)) for style, names in _NAMES.items()}
"""Role -> name of its column, by style."""
SPEEDS = {"km/h": 1.0, "mph": 1.609344, "m/s": 3.6}
"""Kilometres per hour in one of each."""
OTHER_UNITS = {
    "throttle": {"%": 1.0, "0..1": 100.0},
    "time": {"s": 1.0, "ms": 1e-3},
    "lateral_acc": {"g": 1.0, "m/s2": 1.0 / 9.80665},
    "longitudinal_acc": {"g": 1.0, "m/s2": 1.0 / 9.80665},
    "brake": {"bar": 1.0, "kPa": 0.01, "psi": 0.06894757},
}
"""Units in which a role may be logged instead, in the first one."""


@dataclass(frozen=True)
class Log:
    """Columns of a log, the roles they truly play, and units that it tells."""

    columns: dict[str, np.ndarray]
    truth: dict[str, Channel]
    sheet: CarSheet
    told: dict[str, str] = field(default_factory=dict)

    def guess(self) -> ChannelMap:
        """Return the map that is guessed."""

        def read(path: Path, wanted: Sequence[Wanted], *_: object) -> RawLog:
            return RawLog({one.column: self.columns[one.column] for one in wanted}, {}, "")

        return guess(Path("run1.csv"), Header(tuple(self.columns), self.told), read, self.sheet)

    def outcome(self) -> tuple[str, list[str]]:
        """Return ``right``, ``part`` (some optional role is asked), ``asked`` or ``wrong``, with the roles."""
        try:
            made = self.guess()
        except InputError:
            return "asked", []
        wrong = [role for role, channel in made.channels.items() if not self.holds(role, channel)]
        if wrong:
            return "wrong", wrong
        left = [role for role in self.truth if role not in made.channels]
        return ("part", left) if left else ("right", [])

    def holds(self, role: str, channel: Channel) -> bool:
        """Say whether a guessed channel is the true one, in its unit."""
        true = self.truth.get(role)
        return true is not None and (true.column, true.unit) == (channel.column, channel.unit)


def base(path: Path, sheet: CarSheet, rows: slice = slice(None)) -> Log:
    """Return a log with its own names, as its map says."""
    mapped = read_channel_map(path.parent / "channels.toml")
    table = pd.read_parquet(path).iloc[rows]
    columns = {
        channel.column: table[channel.column].to_numpy(dtype=np.float64)
        for channel in mapped.channels.values()
    }
    return Log(columns, dict(mapped.channels), sheet)


def renamed(log: Log, style: str) -> Log:
    """Return a log under the names of a style."""
    new = {channel.column: STYLES[style][role] for role, channel in log.truth.items()}
    truth = {role: Channel(new[channel.column], channel.unit) for role, channel in log.truth.items()}
    return Log({new[name]: values for name, values in log.columns.items()}, truth, log.sheet)


def rescaled(log: Log, speed: str = "km/h", **others: str) -> Log:
    """Return a log with its speeds, and other roles by name, in another unit."""
    columns, truth = dict(log.columns), dict(log.truth)
    for role, channel in log.truth.items():
        table = SPEEDS if role.startswith("speed_") else OTHER_UNITS.get(role, {})
        unit = speed if role.startswith("speed_") else others.get(role, channel.unit)
        if unit != channel.unit and unit in table and channel.unit in table:
            columns[channel.column] = columns[channel.column] * (table[channel.unit] / table[unit])
            truth[role] = Channel(channel.column, unit)
    return Log(columns, truth, log.sheet, log.told)


def told(log: Log, how: str) -> Log:
    """Return a log that tells its units in a line of units, in brackets, or not at all."""
    if how == "line":
        return Log(log.columns, log.truth, log.sheet, {one.column: one.unit for one in log.truth.values()})
    if how == "none":
        return log
    new = {one.column: f"{one.column} [{one.unit}]" for one in log.truth.values()}
    columns = {new.get(name, name): values for name, values in log.columns.items()}
    return Log(
        columns, {role: Channel(new[one.column], one.unit) for role, one in log.truth.items()}, log.sheet
    )


def permuted(log: Log, rng: np.random.Generator) -> Log:
    """Return a log with its columns in another order."""
    names = list(log.columns)
    return Log(
        {names[at]: log.columns[names[at]] for at in rng.permutation(len(names))},
        log.truth,
        log.sheet,
        log.told,
    )


def axles_swapped(log: Log) -> Log:
    """Return a log whose names of the wheels stand over the numbers of the other axle: nothing but asking is right."""
    columns = dict(log.columns)
    for a, b in (("speed_fl", "speed_rl"), ("speed_fr", "speed_rr")):
        first, second = log.truth[a].column, log.truth[b].column
        columns[first], columns[second] = log.columns[second], log.columns[first]
    truth = {role: one for role, one in log.truth.items() if not role.startswith("speed_")}
    return Log(columns, truth, log.sheet, log.told)


DECOYS = ("GPS Speed", "Wheel Speed Reference", "Vehicle Speed", "Speed", "Tyre Temp FL", "Tyre Temp FR",
          "Tyre Temp RL", "Tyre Temp RR", "Oil Pressure", "Accelerator Pedal", "Engine RPM 2", "Turbo RPM",
          "Input Shaft RPM", "GPS Time", "Lap Time", "Lap Distance", "Water Temp", "Clutch Pedal", "Gear Oil Temp",
          "Brake Temp FL", "Brake Bias", "Throttle Target", "Steering Rate", "Lambda Target", "Fuel Pressure",
          "Tyre Pressure FL", "Yaw Rate", "Vertical Acc", "WHEEL_SPEED_FL_FAULT", "Slip Angle", "Cut Active",
          "Damper FL", "Shift Cut", "Speed Limiter", "Cornering G")  # fmt: skip
"""Columns that play no role, or none as well as those that the log has."""


def decoy(log: Log, name: str, rng: np.random.Generator) -> np.ndarray:
    """Return numbers for a decoy: what such a channel would hold."""
    clock = log.columns[log.truth["time"].column]
    size = clock.size
    wander = np.cumsum(rng.normal(0.0, 1.0, size)) / np.sqrt(size)
    front = log.columns[log.truth["speed_fl"].column] if "speed_fl" in log.truth else 50.0 + wander
    if "Speed" in name:
        lagging = np.roll(front, 10) + rng.normal(0.0, 0.3, size)
        return np.zeros(size) if "FAULT" in name else lagging
    if "Time" in name:
        return clock + 3.0 if "GPS" in name else np.mod(clock, 75.0)
    if "RPM" in name:
        revs = log.columns[log.truth["rpm"].column]
        return {"Engine RPM 2": revs + rng.normal(0.0, 40.0, size), "Turbo RPM": 15.0 * revs}.get(
            name, 0.6 * revs
        )
    if "Pedal" in name or "Throttle" in name:
        return np.roll(log.columns[log.truth["throttle"].column], -8)
    return {"Temp": 80.0, "Pressure": 3.0}.get(name.split()[-1], 5.0) + wander


def with_decoys(log: Log, names: Sequence[str], rng: np.random.Generator) -> Log:
    """Return a log with columns beside that play no role."""
    added = {name: decoy(log, name, rng) for name in names if name not in log.columns}
    return Log({**added, **log.columns}, log.truth, log.sheet, log.told)
