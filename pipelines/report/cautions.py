"""The standing cautions that every output carries."""

_ALWAYS: tuple[tuple[str, str], ...] = (
    (
        "Closed course, trained driver",
        "Try a new grid pair only there. Start from the calmer pair, change one thing at a time and keep the "
        "last good pair at hand.",
    ),
    (
        "Not a safety system",
        "Slip control of this kind is no stability, braking or safety system and does not replace one. "
        "Nothing here claims functional safety.",
    ),
    (
        "Driveline shock",
        "Repeated cutting, and a deep cut that is let go at once, load half shafts, gears and mounts.",
    ),
    (
        "Condition of the car",
        "Worn or cold tyres, brakes, wheel sensors, or tyre circumferences that are set wrong make every "
        "figure here wrong.",
    ),
    (
        "Corners",
        "Lateral grip fades before drive peaks: a target that is quickest in a straight line may be too much "
        "on the way out of a corner.",
    ),
    (
        "Local rules and licensed practice",
        "Road, emission and sporting rules of the place decide what may be used. Where they ask for a licensed "
        "engineer or workshop, that one signs changes off.",
    ),
)

_CUT: dict[str, tuple[str, str]] = {
    "ignition": (
        "Unburnt fuel and exhaust heat",
        "An ignition cut sends unburnt mixture into a hot exhaust: it can melt a catalyst, damage a turbine "
        "or start a fire. It also makes the oxygen sensor read lean.",
    ),
    "fuel": (
        "Lean running",
        "A partial fuel cut can run cylinders lean, in the cut itself and while the fuel film builds up "
        "again. Unburnt mixture can still reach a hot exhaust.",
    ),
}


def cautions(cut: str) -> tuple[tuple[str, str], ...]:
    """Return lead words and sentence of each caution, the one of the car's own kind of cut among the first.

    Parameters
    ----------
    cut : {"ignition", "fuel"}
        What the car sheet says is left out; the caution of the other kind follows at the end.

    Returns
    -------
    tuple of (str, str)
    """
    own = _CUT.get(cut, _CUT["ignition"])
    others = tuple(text for text in _CUT.values() if text is not own)
    return (_ALWAYS[0], own, *_ALWAYS[1:], *others)
