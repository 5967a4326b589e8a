"""Saved preferences over HTTP: versions, names, and jobs that keep the weights that they were asked with."""

import dataclasses
import json
import re
from urllib.parse import quote

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from service.client import running
from service.conftest import work_once
from service.test_api import GRIDS

from gridfit.preferences import between, read_preference
from gridfit.recovery import PREFERENCES, Preference
from pipelines.service.asking import preference_of
from pipelines.service.jobtable import JobTable
from pipelines.service.places import Data
from pipelines.service.preferences import Preferences
from pipelines.service.records import Missing, Stale

AT = "/api/preferences/wet"


@pytest.fixture
def api(data):
    with running(data) as service:
        yield service


@pytest.fixture
def car(api, demo):
    sheet = (demo / "car.toml").read_text(encoding="utf-8")
    return f"/api/cars/{api.client.post('/api/cars', json={'sheet': sheet}).json()['id']}"


def saved(api, name="wet", **body):
    answer = api.client.put(f"/api/preferences/{quote(name)}", json=body)
    assert answer.status_code == 201, answer.text
    return answer


def test_weights_that_are_left_out_come_from_the_ground(api):
    saved(api, based_on="calm", weights={"jerk": 3})
    found = api.client.get(AT).json()
    assert Preference("wet", **found["weights"]) == dataclasses.replace(
        PREFERENCES["calm"], name="wet", jerk=3.0
    )
    saved(api, "half", sharpness=-0.5)
    assert api.client.get("/api/preferences/half").json()["weights"] == between(-0.5).weights()
    assert saved(api, "as usual").json()["weights"] == PREFERENCES["balanced"].weights()


def test_two_people_do_not_overwrite_each_other(api):
    first = saved(api).headers["etag"]
    assert api.client.put(AT, json={"sharpness": 1}).status_code == 428
    changed = api.client.put(AT, json={"sharpness": 1}, headers={"If-Match": first})
    assert (changed.status_code, changed.json()["version"]) == (200, 2)
    late = api.client.put(AT, json={"sharpness": -1}, headers={"If-Match": first})
    assert late.status_code == 412
    assert "meanwhile" in late.json()["problems"][0]["remedy"]
    assert api.client.get(AT).json()["weights"] == PREFERENCES["sharp"].weights()
    assert api.client.delete(AT).status_code == 428
    assert api.client.delete(AT, headers={"If-Match": first}).status_code == 412
    assert api.client.delete(AT, headers={"If-Match": changed.headers["etag"]}).status_code == 204
    assert api.client.get(AT).status_code == 404


def test_a_tag_of_what_is_gone_changes_nothing_that_came_later(api):
    """The same name, made again, starts at version 1 under another tag."""
    old = saved(api).headers["etag"]
    api.client.delete(AT, headers={"If-Match": old})
    assert api.client.put(AT, json={}, headers={"If-Match": old}).status_code == 412
    new = saved(api).headers["etag"]
    assert new != old
    assert api.client.put(AT, json={"sharpness": 1}, headers={"If-Match": old}).status_code == 412


@pytest.mark.parametrize("name", ["calm", "balanced", "sharp", "Calm"])
def test_names_of_ours_stay_ours(api, name):
    assert api.client.put(f"/api/preferences/{name}", json={}).status_code == 409
    assert api.client.delete(f"/api/preferences/{name}", headers={"If-Match": "*"}).status_code == 409
    if name in PREFERENCES:
        assert api.client.get(f"/api/preferences/{name}").json()["built_in"]


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ({"weights": {"jerk": -1}}, "body.weights.jerk"),
        ({"weights": {"tail": 1.5}}, "body.weights.tail"),
        ({"weights": {"jerks": 1}}, "body.weights.jerks"),
        ({"weights": {"jerk": "1"}}, "body.weights.jerk"),
        ({"weights": {"jerk": True}}, "body.weights.jerk"),
        ({"weights": 3}, "body.weights"),
        ({"sharpness": 1.5}, "body.sharpness"),
        ({"based_on": "clam"}, "body.based_on"),
        ({"based_on": "calm", "sharpness": 0.5}, "body.sharpness"),
        ({"name": "other"}, "body.name"),
        ({"weights": {key: 0 for key in PREFERENCES["calm"].weights()}}, "body.weights"),
    ],
)
def test_what_is_wrong_is_refused_with_its_place(api, body, says):
    answer = api.client.put(AT, json=body)
    assert answer.status_code == 422
    assert answer.json()["problems"][0]["where"] == says
    assert answer.json()["problems"][0]["remedy"]
    assert api.client.get("/api/preferences").json()["items"] == []


@pytest.mark.parametrize("number", ["NaN", "Infinity", "1e999", "9" * 400])
def test_a_number_that_is_none_is_refused(api, number):
    body = f'{{"weights": {{"jerk": {number}}}}}'
    answer = api.client.put(AT, content=body, headers={"Content-Type": "application/json"})
    assert answer.status_code == 422


@pytest.mark.parametrize("name", [" wet", "wet ", "a\nb", 'a"b', "a" * 41, ".", "..", "-"])
def test_a_name_that_would_have_to_be_escaped_is_refused(api, name):
    assert api.client.put(f"/api/preferences/{quote(name, safe='')}", json={}).status_code in (404, 405, 422)
    assert api.client.get("/api/preferences").json()["items"] == []


@pytest.mark.parametrize("name", ["wet", "näss 2", "Sandpiper 1", "a.b-c_d+e", "x.toml", "9"])
def test_a_name_comes_back_as_it_was_given(api, name):
    assert saved(api, name).json()["name"] == name
    assert [one["name"] for one in api.client.get("/api/preferences").json()["items"]] == [name]


def test_lists_are_paged_and_complete(api):
    names = [f"n{i}" for i in range(5)]
    for name in names:
        saved(api, name)
    seen, cursor = [], None
    while True:
        page = api.client.get(
            "/api/preferences", params={"limit": 2, **({"cursor": cursor} if cursor else {})}
        ).json()
        assert [one["name"] for one in page["built_in"]] == ["calm", "balanced", "sharp"]
        seen += [one["name"] for one in page["items"]]
        cursor = page["next"]
        if cursor is None:
            break
    assert seen == names


def test_a_job_keeps_the_weights_that_it_was_asked_with(api, car):
    tag = saved(api, weights={"jerk": 3}).headers["etag"]
    ask = {"kind": "propose", "preference": "wet"}
    first = api.client.post(f"{car}/jobs", json=ask)
    assert (first.status_code, first.json()["preference"]) == (201, "wet")
    assert api.client.post(f"{car}/jobs", json=ask).json()["id"] == first.json()["id"]
    tag = api.client.put(AT, json={"weights": {"jerk": 4}}, headers={"If-Match": tag}).headers["etag"]
    other = api.client.post(f"{car}/jobs", json=ask)
    assert other.status_code == 201
    assert other.json()["id"] != first.json()["id"]
    tag = api.client.put(AT, json={"weights": {"jerk": 3}}, headers={"If-Match": tag}).headers["etag"]
    assert api.client.post(f"{car}/jobs", json=ask).json()["id"] == first.json()["id"]
    api.client.delete(AT, headers={"If-Match": tag})
    assert api.client.post(f"{car}/jobs", json=ask).status_code == 404
    table = JobTable(api.data.database)
    weights = [preference_of(table.get(one.json()["id"]).asked) for one in (first, other)]
    assert weights == [Preference("wet", jerk=3.0), Preference("wet", jerk=4.0)]


def test_a_job_of_an_earlier_version_has_its_name_only():
    assert preference_of({"preference": "calm"}) == PREFERENCES["calm"]


def test_a_name_is_never_taken_for_a_file(api, car, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "own.toml").write_text('name = "own"\n', encoding="utf-8")
    answer = api.client.post(f"{car}/jobs", json={"kind": "propose", "preference": "own.toml"})
    assert answer.status_code == 404


def test_a_result_holds_the_weights_as_they_were(api, car):
    tag = saved(api, weights={"jerk": 1 / 3}).headers["etag"]
    pair = api.client.post(f"{car}/grids", json={"label": "as found", "grids": GRIDS}).json()["id"]
    ask = {"kind": "score", "pair": pair, "draws": 4, "preference": "wet"}
    job = api.client.post(f"{car}/jobs", json=ask).json()["id"]
    api.client.delete(AT, headers={"If-Match": tag})
    work_once(api.data)
    assert api.client.get(f"/api/jobs/{job}").json()["state"] == "done"
    folder = api.data.result(job)
    assert read_preference(folder / "preference.toml") == Preference("wet", jerk=1 / 3)
    asked = json.loads((folder / "summary.json").read_text(encoding="utf-8"))["asked"]
    assert (asked["preference"], asked["weights"]["jerk"]) == ("wet", 1 / 3)
    assert "jerk = 0.3333333333333333 " in api.client.get(f"/api/jobs/{job}/files/preference.toml").text


def test_what_if_plays_with_saved_weights(api, car):
    body = {"grids": GRIDS, "preference": "only jerk"}
    assert api.client.post(f"{car}/what-if", json=body).status_code == 404
    nothing = dict.fromkeys(PREFERENCES["calm"].weights(), 0)
    saved(api, "only jerk", weights={**nothing, "jerk": 2})
    side = api.client.post(f"{car}/what-if", json=body).json()["all_gears"]["edited"]
    # No tail and nothing else weighs: cost is twice the mean jerk.
    assert side["cost"]["mean"] == pytest.approx(2 * side["jerk_rms"]["mean"], rel=1e-9)


def test_the_page_offers_them(api, car):
    saved(api)
    page = api.client.get(car.removeprefix("/api"), headers={"Accept": "text/html"}).text
    assert re.search(r'<option value="wet" data-weights="[^"<]+" data-etag="[^"<]+">wet</option>', page)


@settings(max_examples=40)
@given(st.lists(st.sampled_from(["make", "change", "remove"]), max_size=12), st.data())
def test_whatever_is_done_a_stale_tag_changes_nothing(tmp_path_factory, steps, choose):
    """Against a plain model: a change is taken exactly when it names the version that stands, or makes a new one."""
    store = Preferences(Data(tmp_path_factory.mktemp("saved") / "data").prepare().database)
    stands, tags = None, [None]
    for count, step in enumerate(steps, start=1):
        tag = choose.draw(st.sampled_from(tags)) if step != "make" else None
        fits = tag == stands and (step != "remove" or tag is not None)
        try:
            if step == "remove":
                store.remove("wet", tag or '"p0.0"')
                stands = None
            else:
                stands = store.put(Preference("wet", jerk=float(count)), tag)[0].etag
                assert stands not in tags
                tags.append(stands)
            assert fits
        except Stale:
            assert not fits
        except Missing:
            assert stands is None
        found = store.find("wet")
        assert (None if found is None else found.etag) == stands
