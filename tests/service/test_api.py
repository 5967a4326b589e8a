"""Cars, runs, grid pairs, jobs and what-if over HTTP."""

import csv
import io
import json

import pytest
from service.client import running
from service.conftest import work_once
from service.smallcar import short_log

from gridfit.grids import read_grids
from pipelines.service.api_jobs import without_formulas

GRIDS = {
    "target": {"speed_kmh": [20, 60, 120], "slip_pct": [25, 13.5, 8]},
    "cut": {"slip_error_pct": [0, 5, 20], "gear": [1, 2], "cut_pct": [[5, 20, 60], [4, 16, 50]]},
}


@pytest.fixture
def api(data):
    with running(data) as service:
        yield service


@pytest.fixture
def sheet(demo):
    return (demo / "car.toml").read_text(encoding="utf-8")


@pytest.fixture
def car(api, sheet):
    answer = api.client.post("/api/cars", json={"sheet": sheet})
    assert answer.status_code == 201
    return answer.json() | {"etag": answer.headers["etag"], "at": f"/api/cars/{answer.json()['id']}"}


def test_a_car_comes_back_as_it_was_entered(api, car, sheet):
    answer = api.client.get(car["at"])
    assert answer.json()["sheet"] == sheet
    assert answer.headers["etag"] == car["etag"]
    assert "controller.speed_breakpoints" in answer.json()["stood_in"]


def test_two_people_do_not_overwrite_each_other(api, car, sheet):
    heavier = sheet.replace("mass_kg = 1180", "mass_kg = 1190")
    lower = sheet.replace("cg_height_m = 0.50", "cg_height_m = 0.48")
    at, tag = f"{car['at']}/sheet", {"If-Match": car["etag"]}
    assert api.client.put(at, json={"sheet": heavier}).status_code == 428
    assert api.client.put(at, json={"sheet": heavier}, headers=tag).status_code == 200
    second = api.client.put(at, json={"sheet": lower}, headers=tag)
    assert second.status_code == 412
    assert "Load it anew" in second.json()["problems"][0]["remedy"]
    now = api.client.get(car["at"])
    assert now.json()["sheet"] == heavier
    assert (
        api.client.put(at, json={"sheet": lower}, headers={"If-Match": now.headers["etag"]}).status_code
        == 200
    )


def test_a_wrong_sheet_is_refused_with_line_and_range(api, sheet):
    answer = api.client.post("/api/cars", json={"sheet": sheet.replace("mass_kg = 1180", "mass_kg = 11800")})
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    [fault] = answer.json()["problems"]
    assert fault["where"].startswith("car.toml:6 [car]")
    assert "300 to 4000" in fault["allowed"]


def test_lists_are_paged_and_complete(api, sheet):
    made = [api.client.post("/api/cars", json={"sheet": sheet}).json()["id"] for _ in range(5)]
    seen, cursor = [], None
    while True:
        page = api.client.get(
            "/api/cars", params={"limit": 2, **({"cursor": cursor} if cursor else {})}
        ).json()
        assert len(page["items"]) <= 2
        seen += [one["id"] for one in page["items"]]
        cursor = page["next"]
        if cursor is None:
            break
    assert seen == made


def test_an_upload_is_kept_once_and_never_overwritten(api, car, demo):
    body = short_log(demo)
    at = f"{car['at']}/runs/Lap 1 (Soft).parquet"
    first = api.client.put(at, content=body)
    assert first.status_code == 201
    assert first.json()["name"] == "lap-1-soft.parquet"
    assert first.json()["given"] == "Lap 1 (Soft).parquet"
    assert api.client.put(at, content=body).status_code == 200
    other = api.client.put(at, content=b"PAR1" + body[4:] + b"x")
    assert other.status_code == 412
    assert [one["name"] for one in api.client.get(f"{car['at']}/runs").json()["items"]] == [
        "lap-1-soft.parquet"
    ]
    assert not list(api.data.incoming.iterdir())


def test_a_note_names_compound_and_pair(api, car, demo):
    api.client.put(f"{car['at']}/runs/one.parquet", content=short_log(demo))
    pair = api.client.post(f"{car['at']}/grids", json={"label": "as found", "grids": GRIDS}).json()["id"]
    note = {
        "compound": "soft",
        "date": "2026-04-11",
        "track": "Sandpiper Loop",
        "track_temp_c": 21,
        "pair": pair,
    }
    answer = api.client.put(f"{car['at']}/runs/one.parquet/note", json=note)
    assert answer.status_code == 200
    assert answer.json()["note"]["pair"] == pair
    gone = api.client.put(f"{car['at']}/runs/one.parquet/note", json=note | {"pair": "0" * 16})
    assert gone.status_code == 404


def test_the_same_numbers_are_one_pair(api, car):
    first = api.client.post(f"{car['at']}/grids", json={"label": "a", "grids": GRIDS}).json()
    again = api.client.post(f"{car['at']}/grids", json={"label": "b", "grids": GRIDS}).json()
    assert first["id"] == again["id"]
    assert again["label"] == "a"


def test_a_pair_is_exported_in_either_unit(api, car):
    pair = api.client.post(f"{car['at']}/grids", json={"label": "a", "grids": GRIDS}).json()["id"]
    kmh = list(csv.reader(io.StringIO(api.client.get(f"{car['at']}/grids/{pair}/target.csv").text)))
    mph = list(csv.reader(io.StringIO(api.client.get(f"{car['at']}/grids/{pair}/target.csv?units=mph").text)))
    # International mile, 1.609344 km exactly (international yard and pound agreement, 1959).
    assert [float(v) * 1.609344 for v in mph[0][1:]] == pytest.approx(
        [float(v) for v in kmh[0][1:]], rel=1e-3
    )


def test_the_same_job_asked_twice_is_one_job(api, car):
    first = api.client.post(f"{car['at']}/jobs", json={"kind": "propose"})
    again = api.client.post(f"{car['at']}/jobs", json={"kind": "propose", "seed": 1})
    other = api.client.post(f"{car['at']}/jobs", json={"kind": "propose", "seed": 2})
    assert (first.status_code, again.status_code, other.status_code) == (201, 200, 201)
    assert first.json()["id"] == again.json()["id"] != other.json()["id"]


def test_a_job_is_cancelled_and_tried_again(api, car):
    job = api.client.post(f"{car['at']}/jobs", json={"kind": "propose"}).json()["id"]
    assert api.client.post(f"/api/jobs/{job}/cancel").json()["state"] == "cancelled"
    assert api.client.post(f"/api/jobs/{job}/cancel").status_code == 409
    assert api.client.post(f"/api/jobs/{job}/retry").json()["state"] == "queued"
    assert api.client.post(f"/api/jobs/{job}/retry").status_code == 409


def test_events_tell_state_and_end(api, car):
    job = api.client.post(f"{car['at']}/jobs", json={"kind": "propose"}).json()["id"]
    api.client.post(f"/api/jobs/{job}/cancel")
    with api.client.stream("GET", f"/api/jobs/{job}/events") as stream:
        assert stream.headers["content-type"].startswith("text/event-stream")
        text = "".join(stream.iter_text())
    blocks = text.strip().split("\n\n")
    assert "event: end" in blocks[-1]
    shown = json.loads(blocks[0].split("data: ", 1)[1])
    assert shown["state"] == "cancelled"
    number = blocks[0].split("\n")[0].removeprefix("id: ")
    with api.client.stream("GET", f"/api/jobs/{job}/events", headers={"Last-Event-ID": number}) as stream:
        assert "event: job" not in "".join(stream.iter_text()), "what was seen is not told again"


def test_history_tells_what_was_entered(api, car):
    pair = api.client.post(f"{car['at']}/grids", json={"label": "as found", "grids": GRIDS}).json()["id"]
    api.client.put(f"{car['at']}/in-force", json={"pair": pair}, headers={"If-Match": car["etag"]})
    texts = [one["text"] for one in api.client.get(f"{car['at']}/history").json()["items"]]
    assert texts[:2] == ["In the car now: as found", "Grid pair kept: as found"]


@pytest.fixture
def done(finished_copy):
    data, ids = finished_copy
    with running(data) as service:
        yield service, ids


def test_a_finished_refine_has_files_a_pair_and_a_history_line(done):
    api, ids = done
    job = api.client.get(f"/api/jobs/{ids['refine']}").json()
    assert job["state"] == "done"
    assert {"grids.json", "report.html", "plant.json", "summary.json"} <= set(job["files"])
    grids = api.client.get(f"/api/jobs/{ids['refine']}/files/grids.json").json()
    kept = [p for p in api.garage.pairs(ids["car"]) if p["origin"] == f"job:{ids['refine']}"]
    assert kept[0]["content"]["cut"] == grids["cut"]
    assert any(line["ref"] == ids["refine"] for line in api.garage.history(ids["car"]))


def test_a_report_is_served_without_any_right(done):
    api, ids = done
    answer = api.client.get(f"/api/jobs/{ids['refine']}/files/report.html")
    policy = answer.headers["content-security-policy"]
    assert "sandbox" in policy
    assert "script-src" not in policy
    assert "default-src 'none'" in policy


def test_asking_for_a_finished_job_gives_its_result(done):
    api, ids = done
    body = {"kind": "refine", "seed": 1, "draws": 4, "budget": "quick"}
    again = api.client.post(f"/api/cars/{ids['car']}/jobs", json=body)
    assert again.status_code == 200
    assert again.json()["id"] == ids["refine"]


def test_what_if_on_a_fitted_plant_finds_the_proposal_better(done):
    api, ids = done
    grids = read_grids(api.data.result(ids["refine"]) / "grids.json").to_dict()
    body = {"grids": grids, "plant_of": ids["refine"], "scenario": 3}
    answer = api.client.post(f"/api/cars/{ids['car']}/what-if", json=body)
    assert answer.status_code == 200, answer.text
    told = answer.json()
    assert told["plant"] == "fit"
    assert told["all_gears"]["change"]["hi"] < 0, (
        "the proposal costs less than the pair in force on every draw"
    )
    assert told["scenario"] == 3
    assert len(told["course"]["edited"]["time_s"]) == len(told["course"]["edited"]["slip_pct"]) > 50
    assert [one["gear"] for one in told["gears"]] == [1, 2]


def test_a_scored_pair_uses_the_plant_of_a_refine(done):
    api, ids = done
    body = {"kind": "score", "plant_of": ids["refine"], "draws": 4}
    job = api.client.post(f"/api/cars/{ids['car']}/jobs", json=body).json()["id"]
    work_once(api.data)
    after = api.client.get(f"/api/jobs/{job}").json()
    assert after["state"] == "done", after["problem"]
    assert api.client.get(f"/api/jobs/{job}/files/score.json").json()["plant"] == "fit"


def test_a_refused_job_says_what_would_carry_the_answer(done):
    api, ids = done
    job = api.client.post(f"/api/cars/{ids['car']}/jobs", json={"kind": "compare", "draws": 4}).json()["id"]
    work_once(api.data)
    after = api.client.get(f"/api/jobs/{job}").json()
    assert after["state"] == "refused"
    assert after["problem"]["problems"][0]["remedy"]


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        ("=1+1", "'=1+1"),
        ("+x", "'+x"),
        ("-x", "'-x"),
        ("@sum", "'@sum"),
        ("-0.31", "-0.31"),
        ("+3", "+3"),
        ("soft", "soft"),
    ],
)
def test_tables_hold_no_formulas(given, shown):
    assert next(csv.reader(io.StringIO(without_formulas(f"{given},b\n"))))[0] == shown


def test_a_fault_of_ours_is_a_problem_too(api, car, monkeypatch):
    def broken(*_):
        raise ZeroDivisionError("<b>secret</b>")

    monkeypatch.setattr(type(api.garage), "history", broken)
    answer = api.client.get(f"{car['at']}/history")
    assert answer.status_code == 500
    assert answer.json()["problems"][0]["remedy"]
    assert "secret" not in answer.text
