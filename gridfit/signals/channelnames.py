"""What a column may be by its name alone: words of seven languages, their abbreviations, and units in names.

Languages: English, German, French, Spanish, Italian, Portuguese, Japanese in Latin letters. The words are the
trade's and the dictionaries', written from memory; a word that is not listed makes a guess less sure.
"""

import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache

from gridfit import units
from gridfit.signals.run import ROLE_OF

UNKNOWN_WORD = 0.6
"""What each word that is not understood leaves of a guess [1]; chosen so that one is enough to ask."""
LONE_CODE = 0.5
"""What is left of a guess by a two-letter corner code without its three fellows [1]; chosen."""

WORDS: dict[str, str] = {
    "time": "time timestamp elapsed t zeit zeitstempel laufzeit temps horodatage tiempo tempo jikan jikoku",
    "session": "session log recording total chrono run",
    "speed": "speed spd vel velocity v vitesse vit velocidad velocita velocidade geschwindigkeit geschw sokudo",
    "wheel": "wheel whl rad roue rueda ruota roda sharin wh",
    "wheel speed": "ws wspd wspeed sharinsoku radgeschwindigkeit",
    "front": "front vorn vorne vorder avant delantera delantero anteriore dianteira dianteiro mae f",
    "rear": "rear hinten hinter arriere trasera trasero posteriore traseira traseiro ushiro",
    "left": "left links gauche izquierda izquierdo izq sinistra sinistro sx esquerda esquerdo esq hidari l",
    "right": "right rechts droite derecha derecho der destra destro dx direita direito dir migi r",
    "axle": "axle achse essieu eje asse eixo",
    "driven": "driven angetrieben antriebsachse antriebsrad motrice motriz motrici kudou kudourin powered",
    "undriven": "undriven nondriven free unpowered frei freilaufend libre libero livre hikudou hikudourin",
    "not": "non not nicht no nao",
    "vehicle": "vehicle veh car ground fahrzeug vehicule vehiculo veicolo veiculo sharyou",
    "satellite": "gps gnss satellite sat reference ref",
    "throttle": "throttle thr tps drosselklappe drosselklappen papillon mariposa farfalla borboleta surottoru gas",
    "pedal": "pedal accelerator gaspedal fahrpedal accelerateur acelerador acceleratore akuseru pps app pedale",
    "position": "pos position angle winkel stellung posicion posizione posicao angolo angulo opening oeffnung "
    "ouverture apertura abertura kaido kakudo plate",
    "engine": "engine eng motor moteur motore enjin",
    "revs": "rpm revs rev drehzahl regime regimen revoluciones giri rotacao rotacoes kaitensu kaiten",
    "engine revs": "nmot motordrehzahl",
    "gear": "gear gang rapport marcha marcia gia giya",
    "brake": "brake brk bremse brems frein freno freio bureki",
    "pressure": "press pressure druck pression presion pressione pressao atsuryoku",
    "switch": "switch schalter contacteur interruptor interruttore suitchi on",
    "lateral": "lat lateral y quer laterale transversale transversal trasversale yoko",
    "long": "long longitudinal lon x laengs langs longitudinale zengo",
    "acceleration": "acc accel acceleration g gforce beschleunigung beschl aceleracion accelerazione aceleracao "
    "kasokudo",
    "lateral acceleration": "ay glat gy",
    "long acceleration": "ax glong glon gx",
    "front axle": "vorderachse",
    "rear axle": "hinterachse",
    "front wheel": "vorderrad zenrin",
    "rear wheel": "hinterrad kourin",
    "vehicle speed": "shasoku",
    "steer position": "lenkwinkel",
    "steer": "steer steering swa lenk lenkung lenkrad volant volante direccion direcao sterzo dakaku",
    "cut": "cut cutoff coupure corte taglio ausblendung katto",
    "firing": "ignition ign fuel torque spark allumage zuendung encendido accensione ignicao tenka",
    "command": "cmd command level request req demand",
    "slip": "slip schlupf glissement patinage deslizamiento slittamento escorregamento suberi surippu",
    "target": "target aim soll sollwert ziel consigne cible objetivo obiettivo alvo mokuhyo setpoint desired",
    "lambda": "lambda",
    "lap": "lap runde tour vuelta giro volta shuukai rappu",
    "number": "no nr num number count nummer numero engaged current actual ist",
    "measured": "meas measured ratio",
    "": "ecu can bus sensor signal value channel ch the of de la le des du del della do da wert capteur",
}
"""Meaning -> words, without accents; two meanings in one key stand for both. The last is passed over."""

CODES: tuple[tuple[str, tuple[str, str, str, str]], ...] = (
    ("", ("fl", "fr", "rl", "rr")),
    ("", ("lf", "rf", "lr", "rr")),
    ("German", ("vl", "vr", "hl", "hr")),
    ("French", ("avg", "avd", "arg", "ard")),
    ("Spanish", ("di", "dd", "ti", "td")),
    ("Portuguese", ("de", "dd", "te", "td")),
    ("Italian", ("as", "ad", "ps", "pd")),
    ("Italian", ("asx", "adx", "psx", "pdx")),
)
"""Codes of the four corners, front left, front right, rear left, rear right."""

_MEANS: dict[str, tuple[str, ...]] = {
    word: tuple(key.split()) for key, words in WORDS.items() for word in words.split()
}
_MEANS |= {"1": (), "n": ("revs",)}

CORNER_PARTS = {
    "fl": ("front", "left"),
    "fr": ("front", "right"),
    "rl": ("rear", "left"),
    "rr": ("rear", "right"),
}
"""Meaning of a corner."""

_RULES: tuple[tuple[str, frozenset[str], frozenset[str], float], ...] = tuple(
    (role, frozenset(needed.split()), frozenset(also.split()), score)
    for role, needed, also, score in (
        ("time", "time", "session", 0.95),
        *((f"speed_{key}", f"{' '.join(parts)} wheel", "speed revs", 0.95) for key, parts in CORNER_PARTS.items()),
        *((f"speed_{key}", f"{' '.join(parts)} speed", "wheel", 0.95) for key, parts in CORNER_PARTS.items()),
        *((f"speed_{key}", " ".join(parts), "", 0.75) for key, parts in CORNER_PARTS.items()),
        ("speed_driven", "speed driven", "wheel axle", 0.95),
        ("speed_driven", "wheel driven", "axle", 0.9),
        ("speed_driven", "driven", "axle", 0.8),
        ("speed_undriven", "speed undriven", "wheel axle", 0.95),
        ("speed_undriven", "speed driven not", "wheel axle", 0.95),
        ("speed_undriven", "wheel undriven", "axle", 0.9),
        ("speed_undriven", "undriven", "axle", 0.8),
        ("speed_undriven", "driven not", "axle", 0.8),
        ("speed_undriven", "vehicle speed", "satellite", 0.5),
        ("speed_undriven", "satellite speed", "wheel", 0.5),
        ("speed_undriven", "speed", "", 0.4),
        ("speed_front", "front speed", "wheel axle", 0.9),
        ("speed_rear", "rear speed", "wheel axle", 0.9),
        ("throttle", "throttle", "position", 0.9),
        ("throttle", "throttle pedal", "position", 0.85),
        ("throttle", "pedal", "position acceleration throttle", 0.8),
        ("rpm", "revs", "engine", 0.95),
        ("rpm", "revs speed", "engine", 0.95),
        ("rpm", "engine speed", "", 0.95),
        ("rpm", "engine", "", 0.75),
        ("gear", "gear", "position number", 0.95),
        ("brake", "brake", "pressure switch position pedal", 0.9),
        ("brake", "brake front", "pressure", 0.85),
        ("brake", "brake rear", "pressure", 0.75),
        ("lateral_acc", "lateral acceleration", "", 0.9),
        ("longitudinal_acc", "long acceleration", "", 0.9),
        ("steering", "steer", "position wheel", 0.9),
        ("cut", "cut", "command firing", 0.9),
        ("slip", "slip", "measured", 0.8),
        ("slip_target", "slip target", "", 0.9),
        ("lambda", "lambda", "", 0.9),
        ("lap", "lap", "number", 0.9),
    )
)  # fmt: skip
"""Role, meanings that must be there, meanings that may be there, how sure that makes us [1]."""

_SUFFIXES = {"kmh": "km/h", "kph": "km/h", "mph": "mph", "mps": "m/s", "pct": "%", "percent": "%", "ms": "ms",
             "us": "us", "s": "s", "sec": "s", "deg": "deg", "rad": "rad", "g": "g", "mps2": "m/s2", "bar": "bar",
             "kpa": "kPa", "psi": "psi", "prozent": "%"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Named:
    """A role that a column's name allows.

    Parameters
    ----------
    role : str
        A role, or ``speed_front`` and ``speed_rear`` for an axle.
    column : str
    unit : str
        Known unit that name or log tell; empty when they tell none.
    sure : float
        How sure the name makes us [1].
    reason : str
    odd_unit : str
        Unit that is told and not known; empty when there is none.
    code : str
        Corner code that stands for the wheel; empty when words do.
    """

    role: str
    column: str
    unit: str
    sure: float
    reason: str
    odd_unit: str = ""
    code: str = ""


def candidates(columns: Iterable[str], told: Mapping[str, str]) -> list[Named]:
    """Return every role that a log's columns may play by their names.

    Parameters
    ----------
    columns : iterable of str
    told : mapping of str to str
        Units that the log tells, by column.

    Returns
    -------
    list of Named
        Several for a column that may be several things.
    """
    found = [one for column in columns for one in by_name(column, told.get(column, ""))]
    codes = {one.code for one in found if one.code}
    whole = {code for _, style in CODES if codes.issuperset(style) for code in style}
    english = {code for language, style in CODES if not language for code in style}
    return [
        one
        if not one.code or one.code in whole or one.code in english
        else replace(one, sure=one.sure * LONE_CODE, reason=f"{one.reason}, a code that stands alone")
        for one in found
    ]


def by_name(column: str, told: str = "") -> list[Named]:
    """Return the roles that a column's name and unit allow, with how sure each is.

    Parameters
    ----------
    column : str
    told : str
        Unit that the log tells; empty when it tells none.
    """
    unit, odd, words = _unit_and_words(column, told)
    meanings, unknown, code = _understood(words)
    found: dict[str, Named] = {}
    for role, needed, also, score in _RULES:
        if not needed <= meanings or not meanings <= needed | also:
            continue
        dimension = ROLE_OF["speed_fl" if role in ("speed_front", "speed_rear") else role].dimension
        known = units.find(unit) if unit else None
        if known and known.dimension == "number" and "number" not in units.ACCEPTED[dimension]:
            known = None
        if known and known.dimension not in units.ACCEPTED[dimension]:
            continue
        sure = score * UNKNOWN_WORD ** len(unknown)
        if role not in found or found[role].sure < sure:
            reason = f"named '{' '.join(words)}'" + (f", '{unknown[0]}' not understood" if unknown else "")
            found[role] = Named(role, column, known.name if known else "", sure, reason, odd, code)
    return list(found.values())


def _understood(words: tuple[str, ...]) -> tuple[frozenset[str], list[str], str]:
    """Return the meanings of words, the words without one, and the corner code among them."""
    meanings: set[str] = set()
    unknown: list[str] = []
    code = ""
    for word in words:
        parts = _split(word)
        if parts is None:
            unknown.append(word)
            continue
        for part in parts:
            corner = _corner(part)
            # 'de' and the like are words as well; beside a wheel or a speed they are a corner.
            if corner and (part not in _MEANS or {"wheel", "speed"} & meanings):
                code = part
                meanings |= set(CORNER_PARTS[corner])
            else:
                meanings |= set(_MEANS[part])
    return frozenset(meanings), unknown, code


def _corner(word: str) -> str:
    return next(
        (key for _, style in CODES for key, code in zip(CORNER_PARTS, style, strict=True) if code == word), ""
    )


@cache
def _split(word: str) -> tuple[str, ...] | None:
    """Return a word as known ones written together, the fewest; None when it cannot be."""
    if word in _MEANS or _corner(word):
        return (word,)
    if len(word) < 3:
        return None
    best: tuple[str, ...] | None = None
    for at in range(1, len(word) - 1):
        head, tail = word[:at], word[at:]
        if (at == 1 and head not in ("v", "n")) or (head not in _MEANS and not _corner(head)):
            continue
        rest = _split(tail)
        if rest is not None and (best is None or len(rest) + 1 < len(best)):
            best = (head, *rest)
    return best


def words_of(name: str) -> tuple[str, ...]:
    """Return a name as words in lower case without accents, split at capitals and signs."""
    spelt = name.replace("ß", "ss").replace("λ", "lambda").replace("Λ", "lambda")
    for letter, two in (("ä", "ae"), ("ö", "oe"), ("ü", "ue")):
        spelt = spelt.replace(letter, two).replace(letter.upper(), two.capitalize())
    plain = unicodedata.normalize("NFKD", spelt).encode("ascii", "ignore").decode()
    cut = re.sub(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", " ", plain)
    return tuple(re.findall(r"[a-z]+|\d+", cut.lower()))


def _unit_and_words(column: str, told: str) -> tuple[str, str, tuple[str, ...]]:
    """Return the known unit that log or name tells, else the one that is not known, and the name's words."""
    bare, given = column, told.strip()
    for bracket in re.findall(r"[\[(]([^\])]*)[\])]", column):
        if units.find(bracket) or bracket.strip().lower() in units.AMBIGUOUS:
            bare = re.sub(r"[\[(]" + re.escape(bracket) + r"[\])]", " ", bare)
            given = given or bracket
    if not given:
        head, _, last = bare.strip().rpartition("_")
        if head and last.lower() in _SUFFIXES and not (last == "g" and "_" not in head):
            given, bare = _SUFFIXES[last.lower()], head
    known = units.find(given) if given else None
    return (known.name if known else ""), ("" if known else given), words_of(bare)
