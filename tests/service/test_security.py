"""Tokens, sessions, limits, and what leaves the service."""

import logging
import time
from dataclasses import replace

import pytest
from service.client import GENEROUS, running

from pipelines.service.settings import Settings, is_loopback
from pipelines.service.throttle import Throttle
from pipelines.service.tokens import COOKIE, Tokens


@pytest.fixture
def guarded(data):
    with running(data, guarded=True) as service:
        yield service, service.tokens.renew()


def bearer(token: str) -> dict[str, dict[str, str]]:
    return {"headers": {"Authorization": f"Bearer {token}"}}


def test_loopback_needs_no_token(data):
    with running(data) as service:
        assert service.client.get("/api/cars").status_code == 200


def test_beyond_it_everything_needs_one_but_the_door(guarded):
    service, token = guarded
    for path in ("/", "/cars/000000000000"):
        answer = service.client.get(path)
        assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in"), path
    for path in ("/api/cars", "/api/openapi.json"):
        answer = service.client.get(path)
        assert answer.status_code == 401, path
        assert answer.headers["www-authenticate"] == "Bearer"
    for path in ("/api/health", "/sign-in", "/static/notebook.css", "/favicon.svg"):
        assert service.client.get(path).status_code == 200, path
    assert service.client.get("/api/cars", **bearer(token)).status_code == 200
    assert service.client.get("/api/cars", **bearer(token[:-1])).status_code == 401
    assert service.client.get(f"/api/cars?token={token}").status_code == 401, "no token in addresses"


def test_a_new_token_ends_the_old_one_and_its_sessions(guarded):
    service, token = guarded
    assert service.client.post("/api/session", json={"token": token}).status_code == 204
    assert service.client.get("/api/cars").status_code == 200
    new = service.tokens.renew()
    assert service.client.get("/api/cars").status_code == 401
    assert service.client.get("/api/cars", **bearer(token)).status_code == 401
    assert service.client.get("/api/cars", **bearer(new)).status_code == 200


def test_a_session_is_out_of_reach_of_scripts_and_other_sites(guarded):
    service, token = guarded
    answer = service.client.post("/api/session", json={"token": token})
    cookie = answer.headers["set-cookie"]
    assert COOKIE in cookie
    assert "HttpOnly" in cookie
    assert "samesite=strict" in cookie.lower()
    assert token not in cookie
    assert service.client.delete("/api/session").status_code == 204
    assert service.client.get("/api/cars").status_code == 401


@pytest.mark.parametrize("door", ["header", "sign-in"])
def test_guessing_is_slowed_down(data, door):
    with running(data, guarded=True, limits=replace(GENEROUS, wrong_tokens=3)) as service:
        token = service.tokens.renew()
        for _ in range(3):
            wrong = bearer("x") if door == "header" else {"json": {"token": "x"}}
            method, path = ("GET", "/api/cars") if door == "header" else ("POST", "/api/session")
            assert service.client.request(method, path, **wrong).status_code == 401
        right = bearer(token) if door == "header" else {"json": {"token": token}}
        answer = service.client.request(method, path, **right)
        assert answer.status_code == 429
        assert int(answer.headers["retry-after"]) > 0


def test_the_token_is_kept_as_a_digest_alone(guarded):
    service, token = guarded
    for path in service.data.root.glob("service.db*"):
        assert token.encode() not in path.read_bytes()


def test_no_token_reaches_a_log(data, caplog):
    with caplog.at_level(logging.DEBUG), running(data, guarded=True) as service:
        token = service.tokens.renew()
        service.client.get("/api/cars", **bearer(token))
        service.client.get("/api/cars", **bearer("wrong-" + token))
    assert token not in caplog.text


def test_wrong_tokens_take_as_long_as_each_other(data):
    tokens = Tokens(data.database)
    right = tokens.renew()
    near, far = right[:-1] + ("a" if right[-1] != "a" else "b"), "x" * len(right)
    took: dict[str, list[float]] = {near: [], far: []}
    for _ in range(60):
        for wrong in (near, far):
            begun = time.perf_counter()
            assert not tokens.fits(wrong)
            took[wrong].append(time.perf_counter() - begun)
    # What is compared are digests, of which the first letters say nothing; the medians differ by noise alone.
    medians = [sorted(times)[30] for times in took.values()]
    assert max(medians) < 3.0 * min(medians)


def test_too_many_requests_have_to_wait(data):
    with running(data, limits=replace(GENEROUS, per_second=1.0, burst=5.0)) as service:
        statuses = [service.client.get("/api/health").status_code for _ in range(8)]
    assert statuses[:5] == [200] * 5
    assert 429 in statuses[5:]


def test_a_bucket_refills():
    now = [0.0]
    throttle = Throttle(2.0, 2.0, 3, clock=lambda: now[0])
    assert [throttle.wait_s("a") for _ in range(3)] == [0.0, 0.0, 0.5]
    now[0] = 0.5
    assert throttle.wait_s("a") == 0.0
    assert throttle.wait_s("b") == 0.0


def test_every_answer_carries_the_policy(data):
    with running(data) as service:
        for path in ("/", "/api/health", "/api/nothing", "/static/notebook.css"):
            headers = service.client.get(path).headers
            policy = headers["content-security-policy"]
            assert "default-src 'none'" in policy
            assert "unsafe" not in policy
            assert headers["x-content-type-options"] == "nosniff"
            assert headers["cross-origin-resource-policy"] == "same-origin"
            assert "server" not in headers


@pytest.mark.parametrize("name", ["localhost", "127.0.0.1", "127.8.9.1", "[::1]", "::1", "LOCALHOST"])
def test_names_of_loopback(name):
    assert is_loopback(name)


@pytest.mark.parametrize(
    "name", ["0.0.0.0", "10.0.0.1", "localhost.evil.example", "", "127.0.0.1.nip.example"]
)
def test_other_names_are_not_loopback(name):
    assert not is_loopback(name)


def test_beyond_loopback_addresses_and_known_names_are_hosts(data):
    settings = Settings(data, "0.0.0.0", 8642, names=("garage.example",))
    assert settings.knows_host("192.0.2.7:8642")
    assert settings.knows_host("Garage.Example:8642")
    assert not settings.knows_host("evil.example:8642")
    assert not Settings(data).knows_host("192.0.2.7:8642")
