"""Bad requests, one per row: each is answered with a problem that names its place, and no fault of ours."""

import gzip
import json
import zlib

import pytest
from service.client import GENEROUS, running
from service.test_api import GRIDS

CAR, JOB, PAIR = "0" * 12, "0" * 16, "0" * 16
NAN, INFINITE = b"NaN", b"1e999"


def grids(**changes) -> dict:
    """A grid pair with some lists replaced."""
    made = json.loads(json.dumps(GRIDS))
    for path, value in changes.items():
        grid, key = path.split("__")
        made[grid][key] = value
    return made


def pair(made: dict) -> dict:
    return {"json": {"label": "x", "grids": made}}


def raw(body: bytes) -> dict:
    return {"content": body, "headers": {"content-type": "application/json"}}


BOMB = gzip.compress(bytes(200 << 20), compresslevel=9)
"""200 MB of nothing in 200 kB: over 400 times its size, and over the size that is free."""

DEEP = b'{"sheet":' + b"[" * 100_000 + b"]" * 100_000 + b"}"

# name, method, path ({car} is a car that is there), what is sent, status
TABLE = [
    # names and paths
    ("run with a path in its name", "PUT", "/api/cars/{car}/runs/..%2F..%2Fetc%2Fpasswd.csv", {"content": b"a"}, 404),
    ("run with dots in its name", "PUT", "/api/cars/{car}/runs/a..b.csv", {"content": b"a"}, 422),
    ("run with backslashes", "PUT", "/api/cars/{car}/runs/..%5C..%5Cboot.csv", {"content": b"a"}, 422),
    ("run with a zero byte", "PUT", "/api/cars/{car}/runs/a%00.csv", {"content": b"a"}, 422),
    ("run with a line break", "PUT", "/api/cars/{car}/runs/a%0Ab.csv", {"content": b"a"}, 422),
    ("run with no ending", "PUT", "/api/cars/{car}/runs/run1", {"content": b"a"}, 422),
    ("run of an unknown format", "PUT", "/api/cars/{car}/runs/run1.exe", {"content": b"a"}, 422),
    ("run as a pickle", "PUT", "/api/cars/{car}/runs/run1.pkl", {"content": b"\x80\x04."}, 422),
    ("run as an archive", "PUT", "/api/cars/{car}/runs/run1.zip", {"content": b"PK\x03\x04"}, 422),
    ("packed message table", "PUT", "/api/cars/{car}/runs/car.dbc.gz", {"content": b"a"}, 422),
    ("run with a reserved name", "PUT", "/api/cars/{car}/runs/con.csv", {"content": b"a"}, 422),
    ("run with the name of the map", "PUT", "/api/cars/{car}/runs/channels.csv", {"content": b"a"}, 422),
    ("run with nothing but signs", "PUT", "/api/cars/{car}/runs/%21%21%21.csv", {"content": b"a"}, 422),
    ("run with a very long name", "PUT", "/api/cars/{car}/runs/" + "a" * 400 + ".csv", {"content": b"a"}, 422),
    ("file outside the result", "GET", f"/api/jobs/{JOB}/files/..%2F..%2Fservice.db", {}, 404),
    ("file of another kind", "GET", f"/api/jobs/{JOB}/files/service.db", {}, 422),
    ("static file outside", "GET", "/static/..%2f..%2fdatabase.py", {}, 404),
    ("path that is not there", "GET", "/api/nothing", {}, 404),
    ("method that is not there", "PATCH", "/api/cars", {}, 405),
    # what uploads hold
    ("empty upload", "PUT", "/api/cars/{car}/runs/a.csv", {"content": b""}, 422),
    ("Parquet that is none", "PUT", "/api/cars/{car}/runs/a.parquet", {"content": b"time,speed\n"}, 422),
    ("MDF that is none", "PUT", "/api/cars/{car}/runs/a.mf4", {"content": b"PAR1"}, 422),
    ("BLF that is none", "PUT", "/api/cars/{car}/runs/a.blf", {"content": b"LOG"}, 422),
    ("packed log that is not packed", "PUT", "/api/cars/{car}/runs/a.csv.gz", {"content": b"time,speed"}, 422),
    ("packed log with a broken stream", "PUT", "/api/cars/{car}/runs/a.csv.gz",
     {"content": gzip.compress(b"x" * 9000)[:20] + b"\xff" * 40}, 422),
    ("packed nothing", "PUT", "/api/cars/{car}/runs/a.csv.gz", {"content": gzip.compress(b"")}, 422),
    ("packed bomb", "PUT", "/api/cars/{car}/runs/a.csv.gz", {"content": BOMB}, 413),
    ("packed bomb as a Parquet", "PUT", "/api/cars/{car}/runs/a.parquet.gz", {"content": BOMB}, 413),
    ("zlib instead of gzip", "PUT", "/api/cars/{car}/runs/a.csv.gz", {"content": zlib.compress(b"x" * 99)}, 422),
    ("upload over its limit", "PUT", "/api/cars/{car}/runs/a.csv", {"content": b"x" * 5_000_001}, 413),
    ("upload to a car that is not there", "PUT", f"/api/cars/{CAR}/runs/a.csv", {"content": b"a"}, 404),
    # bodies
    ("no body", "POST", "/api/cars", {}, 422),
    ("no JSON", "POST", "/api/cars", raw(b"sheet = 1"), 422),
    ("half a JSON", "POST", "/api/cars", raw(b'{"sheet": "'), 422),
    ("JSON that is a list", "POST", "/api/cars", raw(b"[]"), 422),
    ("JSON that is deep", "POST", "/api/cars", raw(DEEP), (400, 422)),
    ("JSON that is not UTF-8", "POST", "/api/cars", raw(b'{"sheet": "\xff\xfe"}'), (400, 422)),
    ("JSON with half a surrogate", "POST", "/api/cars", raw(b'{"sheet": "\\ud800"}'), 422),
    ("body over its limit", "POST", "/api/cars", {"json": {"sheet": "x" * (2 << 20)}}, 413),
    ("unknown key", "POST", "/api/cars", {"json": {"sheet": "x", "owner": "y"}}, 422),
    ("sheet of another type", "POST", "/api/cars", {"json": {"sheet": 3}}, 422),
    ("empty sheet", "POST", "/api/cars", {"json": {"sheet": ""}}, 422),
    ("sheet that is no TOML", "POST", "/api/cars", {"json": {"sheet": "[car\nname ="}}, 422),
    ("sheet with a zero byte", "POST", "/api/cars", {"json": {"sheet": "a = 1\u0000"}}, 422),
    ("sheet without tables", "POST", "/api/cars", {"json": {"sheet": "a = 1"}}, 422),
    ("sheet of tables without end", "POST", "/api/cars", {"json": {"sheet": "a = " + "[" * 20_000}}, 422),
    ("sheet that breaks the reader of numbers", "POST", "/api/cars", {"json": {"sheet": "a = " + "9" * 6000}}, 422),
    ("channel map that is none", "PUT", "/api/cars/{car}/channels",
     {"json": {"channels": "[channels]\nspeed = 3"}, "headers": {"if-match": "*"}}, 422),
    # numbers
    ("cut that is no number", "POST", "/api/cars/{car}/grids", raw(
        json.dumps({"label": "x", "grids": GRIDS}).replace("60", "NaN").encode()), 422),
    ("cut without end", "POST", "/api/cars/{car}/grids", raw(
        json.dumps({"label": "x", "grids": GRIDS}).replace("60", "1e999").encode()), 422),
    ("cut of 5000 digits", "POST", "/api/cars/{car}/grids", raw(
        json.dumps({"label": "x", "grids": GRIDS}).replace("60", "9" * 5000).encode()), (400, 422)),
    ("cut above 100 %", "POST", "/api/cars/{car}/grids", pair(grids(cut__cut_pct=[[5, 20, 101], [4, 16, 50]])), 422),
    ("cut below 0 %", "POST", "/api/cars/{car}/grids", pair(grids(cut__cut_pct=[[-5, 20, 60], [4, 16, 50]])), 422),
    ("cut as text", "POST", "/api/cars/{car}/grids", pair(grids(cut__cut_pct=[["5", 20, 60], [4, 16, 50]])), 422),
    ("cut as truth", "POST", "/api/cars/{car}/grids", pair(grids(cut__cut_pct=[[True, 20, 60], [4, 16, 50]])), 422),
    ("rows of different lengths", "POST", "/api/cars/{car}/grids", pair(grids(cut__cut_pct=[[5, 20], [4, 16, 50]])), 422),
    ("a row too many", "POST", "/api/cars/{car}/grids", pair(grids(cut__cut_pct=[[5, 20, 60]] * 3)), 422),
    ("speeds that fall", "POST", "/api/cars/{car}/grids", pair(grids(target__speed_kmh=[60, 20, 120])), 422),
    ("gears that repeat", "POST", "/api/cars/{car}/grids", pair(grids(cut__gear=[1, 1])), 422),
    ("gear eleven", "POST", "/api/cars/{car}/grids", pair(grids(cut__gear=[1, 11])), 422),
    ("a thousand speeds", "POST", "/api/cars/{car}/grids", pair(grids(target__speed_kmh=list(range(1000)))), 422),
    ("no cells", "POST", "/api/cars/{car}/grids", pair(grids(target__speed_kmh=[], target__slip_pct=[])), 422),
    ("other format of grids", "POST", "/api/cars/{car}/grids", pair({**GRIDS, "format": "other/9"}), 422),
    ("label with a line break", "POST", "/api/cars/{car}/grids", {"json": {"label": "a\nb", "grids": GRIDS}}, 422),
    ("what-if with a hole", "POST", "/api/cars/{car}/what-if", {"json": {"grids": grids(target__slip_pct=[None, 1, 2])}}, 422),
    ("what-if on a plant that is not there", "POST", "/api/cars/{car}/what-if",
     {"json": {"grids": GRIDS, "plant_of": JOB}}, 404),
    ("what-if in scenario minus one", "POST", "/api/cars/{car}/what-if", {"json": {"grids": GRIDS, "scenario": -1}}, 422),
    # jobs
    ("job of an unknown kind", "POST", "/api/cars/{car}/jobs", {"json": {"kind": "explode"}}, 422),
    ("seed below zero", "POST", "/api/cars/{car}/jobs", {"json": {"kind": "propose", "seed": -1}}, 422),
    ("seed beyond bounds", "POST", "/api/cars/{car}/jobs", {"json": {"kind": "propose", "seed": 10**30}}, 422),
    ("a million draws", "POST", "/api/cars/{car}/jobs", {"json": {"kind": "propose", "draws": 10**6}}, 422),
    ("refine without a log", "POST", "/api/cars/{car}/jobs", {"json": {"kind": "refine"}}, 400),
    ("refine of a run that is not there", "POST", "/api/cars/{car}/jobs", {"json": {"kind": "refine", "runs": ["a.csv"]}}, 404),
    ("score without a pair", "POST", "/api/cars/{car}/jobs", {"json": {"kind": "score"}}, 400),
    ("job that is not there", "GET", f"/api/jobs/{JOB}", {}, 404),
    ("job with a wrong name", "GET", "/api/jobs/1%20OR%201=1", {}, 422),
    ("car with a wrong name", "GET", "/api/cars/'%3B%20DROP%20TABLE%20cars", {}, 422),
    ("cursor that is none", "GET", "/api/cars?cursor=zzzz", {}, 400),
    ("cursor with signs", "GET", "/api/cars?cursor=%27%22", {}, 422),
    ("a page of a million", "GET", "/api/cars?limit=1000000", {}, 422),
    ("limit as text", "GET", "/api/cars?limit=many", {}, 422),
    ("note with a wrong day", "PUT", "/api/cars/{car}/runs/a.csv/note",
     {"json": {"compound": "s", "date": "31.12.2026", "track": "t"}}, 422),
    ("note of a run that is not there", "PUT", "/api/cars/{car}/runs/a.csv/note",
     {"json": {"compound": "s", "date": "2026-01-01", "track": "t"}}, 404),
    # headers
    ("change without a version", "PUT", "/api/cars/{car}/sheet", {"json": {"sheet": "{sheet}"}}, 428),
    ("change of an old version", "PUT", "/api/cars/{car}/sheet",
     {"json": {"sheet": "{sheet}"}, "headers": {"if-match": '"old"'}}, 412),
    ("foreign host", "GET", "/api/cars", {"headers": {"host": "evil.example"}}, 421),
    ("host that only begins right", "GET", "/api/cars", {"headers": {"host": "127.0.0.1.evil.example"}}, 421),
    ("no host to speak of", "GET", "/api/cars", {"headers": {"host": ""}}, 421),
    ("foreign origin", "POST", "/api/cars", {"json": {"sheet": "x"}, "headers": {"origin": "http://evil.example"}}, 403),
    ("origin of nothing", "POST", "/api/cars", {"json": {"sheet": "x"}, "headers": {"origin": "null"}}, 403),
    ("sent by another site", "POST", "/api/cars", {"json": {"sheet": "x"}, "headers": {"sec-fetch-site": "cross-site"}}, 403),
]  # fmt: skip


@pytest.fixture(scope="module")
def small(tmp_path_factory, demo):
    from dataclasses import replace

    from pipelines.service.places import Data

    data = Data(tmp_path_factory.mktemp("bad") / "data").prepare()
    with running(data, limits=replace(GENEROUS, upload_bytes=5_000_000)) as service:
        sheet = (demo / "car.toml").read_text(encoding="utf-8")
        yield service, service.garage.add(sheet).id, sheet


def test_the_table_is_long_and_names_are_unique():
    assert len(TABLE) >= 60
    assert len({row[0] for row in TABLE}) == len(TABLE)


@pytest.mark.parametrize(("name", "method", "path", "sent", "status"), TABLE, ids=[row[0] for row in TABLE])
def test_bad_request(small, name, method, path, sent, status):
    service, car, sheet = small
    if sent.get("json") == {"sheet": "{sheet}"}:
        sent = {**sent, "json": {"sheet": sheet}}
    answer = service.client.request(method, path.replace("{car}", car), **sent)
    wanted = status if isinstance(status, tuple) else (status,)
    assert answer.status_code in wanted, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    body = answer.json()
    assert body["status"] == answer.status_code
    assert body["problems"]
    for one in body["problems"]:
        assert one["where"]
        assert one["remedy"]
    assert str(service.data.root) not in answer.text, "a path of this machine is told to strangers"
    assert not list(service.data.incoming.iterdir()), "half an upload is left"
