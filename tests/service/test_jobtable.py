"""The table of jobs: leases, heartbeats, tries, one job per question; many workers at a time."""

import sqlite3
import threading

import pytest

from pipelines.service.jobtable import JobTable, owner_name, question_key


@pytest.fixture
def table(data):
    return JobTable(data.database, lease_s=30.0, most_tries=3)


def ask(table, number=0):
    return table.submit("car", "refine", {"seed": number})[0]


def test_one_question_is_one_job_until_it_ends_without_a_result(table):
    first, new = table.submit("car", "refine", {"b": 1, "a": 2})
    again, second = table.submit("car", "refine", {"a": 2, "b": 1})
    assert (new, second) == (True, False)
    assert first.id == again.id
    table.cancel(first.id)
    assert table.submit("car", "refine", {"a": 2, "b": 1})[1]
    assert table.retry(first.id) is None, "its question is under way elsewhere"


def test_a_job_is_claimed_by_one(table):
    ids = {ask(table, n).id for n in range(40)}
    got: list[str] = []

    def work(n):
        while (job := table.claim(f"w{n}")) is not None:
            got.append(job.id)

    threads = [threading.Thread(target=work, args=(n,)) for n in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(got) == sorted(ids)


def test_the_first_asked_is_the_first_done(table):
    first, second = ask(table, 1), ask(table, 2)
    assert [table.claim("w").id, table.claim("w").id] == [first.id, second.id]


def test_a_lost_lease_ends_the_owner_s_say(table):
    job = ask(table)
    table.claim("one")
    assert table.beat(job.id, "one", "fit", 0.5, 0)
    assert table.release(job.id, "one") == "queued"
    table.claim("two")
    assert not table.beat(job.id, "one", "fit", 0.6, 0)
    assert not table.finish(job.id, "one", "done")
    assert table.finish(job.id, "two", "done", headline="better")
    assert table.get(job.id).headline == "better"


def test_a_lease_runs_out(data):
    table = JobTable(data.database, lease_s=-1.0)
    job = ask(table)
    table.claim("one")
    assert [one.id for one in table.expired()] == [job.id]


def test_a_job_that_gets_no_further_is_given_up(table):
    job = ask(table)
    for _ in range(2):
        table.claim("w")
        assert table.release(job.id, "w") == "queued"
    table.claim("w")
    assert table.release(job.id, "w") == "failed"
    problem = table.get(job.id).problem["problems"][0]
    assert "3 times" in problem["value"]
    assert problem["remedy"]


def test_a_job_that_gets_further_is_not(table):
    job = ask(table)
    for marks in range(1, 12):
        table.claim("w")
        table.beat(job.id, "w", "search", 0.1, marks)
        assert table.release(job.id, "w") == "queued"
    assert table.get(job.id).attempts == 11


def test_changes_are_counted_and_beats_alone_are_none(table):
    job = ask(table)
    table.claim("w")
    table.beat(job.id, "w", "fit", 0.5, 0)
    before = table.get(job.id).change
    table.beat(job.id, "w", "fit", 0.5, 0)
    assert table.get(job.id).change == before
    table.beat(job.id, "w", "fit", 0.6, 0)
    assert table.get(job.id).change == before + 1


def test_a_cancelled_job_stays_cancelled(table):
    job = ask(table)
    table.claim("w")
    assert table.cancel(job.id)
    assert not table.beat(job.id, "w", "fit", 0.5, 0)
    assert not table.finish(job.id, "w", "done")
    assert table.get(job.id).state == "cancelled"
    assert table.retry(job.id).state == "queued"


def test_an_answered_question_is_not_asked_again(table):
    job = ask(table)
    table.claim("w")
    table.finish(job.id, "w", "done")
    assert table.retry(job.id) is None
    assert not table.submit("car", "refine", {"seed": 0})[1]


def test_the_key_does_not_hang_on_the_order_of_keys():
    assert question_key("c", "k", {"a": 1, "b": [1, 2]}) == question_key("c", "k", {"b": [1, 2], "a": 1})
    assert question_key("c", "k", {"a": 1}) != question_key("c", "k", {"a": 2})


def test_owners_name_machine_and_process():
    assert owner_name(7, "abc").split(":")[1:] == ["7", "abc"]


def test_tables_of_a_later_version_are_left_alone(data):
    with sqlite3.connect(data.root / "service.db") as connection:
        connection.execute("PRAGMA user_version=99")
    connection.close()
    with pytest.raises(RuntimeError, match="version 99"):
        data.prepare()
