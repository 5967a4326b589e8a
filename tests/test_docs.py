"""README and DEVELOPERS.md: what they name exists, and what exists is named."""

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from typer.main import get_command

from gridfit.cartables import SECTIONS, STAND_INS
from gridfit.preferences import Head, Weights
from gridfit.recovery import PREFERENCES
from gridfit.signals.note import NoteTable
from gridfit.signals.run import ROLES
from pipelines import cli

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
COMMANDS = get_command(cli.app).commands


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_and_option_is_in_the_readme(name):
    assert f"gridfit {name} " in README
    for parameter in COMMANDS[name].params:
        for option in (o for o in parameter.opts if o.startswith("--")):
            assert f"`{option}" in README, f"{name} {option} is not in README.md"


@pytest.mark.parametrize("table", sorted(SECTIONS))
def test_every_key_of_the_car_sheet_is_in_the_readme(table):
    row = next(line for line in README.splitlines() if line.startswith(f"| `[{table}]`"))
    assert set(re.findall(r"`([a-z_0-9]+)`", row)) == set(SECTIONS[table].model_fields)
    optional = set(re.findall(r"`([a-z_0-9]+)`\?", row))
    assert optional == {key for key in SECTIONS[table].model_fields if f"{table}.{key}" in STAND_INS}


def test_every_key_of_a_note_and_every_role_is_in_the_readme():
    for key in NoteTable.model_fields:
        assert f"`{key}`" in README
    for role in ROLES:
        assert f"`{role.name}`" in README


def test_every_weight_of_a_preference_is_in_the_readme_with_its_figures():
    rows = dict(re.findall(r"^\| `([a-z_]+)` \| [^|]+ \|([0-9. |]+)\|$", README, flags=re.MULTILINE))
    names = ("calm", "balanced", "sharp")
    assert {key: [float(one) for one in row.split("|")] for key, row in rows.items()} == {
        key: [getattr(PREFERENCES[name], key) for name in names] for key in Weights.model_fields
    }
    for key in Head.model_fields:
        assert re.search(rf"\b{key}\b", README.split("**A preference of your own.**")[1].split("## Files")[0])


@pytest.mark.parametrize("code", [0, 1, 2, 3, 4, 130])
def test_every_exit_code_is_in_the_readme(code):
    assert re.search(rf"^\| {code} \| \S", README, flags=re.MULTILINE)


def test_the_commands_of_the_readme_are_commands():
    blocks = re.findall(r"```\n(.*?)```", README, flags=re.DOTALL)
    calls = [line.split() for block in blocks for line in block.splitlines() if line.startswith("gridfit ")]
    assert {call[1] for call in calls} == set(COMMANDS)
    for call in calls:
        known = {option for parameter in COMMANDS[call[1]].params for option in parameter.opts}
        assert {word for word in call if word.startswith("--")} <= known
        for word in (word for word in call[2:] if word.startswith("datasets/")):
            assert (ROOT / word).exists(), f"{word} of the README is not there"


def test_the_two_commands_are_the_ones_that_ci_calls():
    assert "\npython3 .ci/fresh.py demo\n" in README
    assert "\npython3 .ci/fresh.py test\n" in README
    assert ".ci/fresh.py test" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


@pytest.mark.parametrize(("document", "name"), [(README, "README.md"), (DEVELOPERS, "DEVELOPERS.md")])
def test_files_that_the_documents_name_are_there(document, name):
    named = re.findall(r"(?:\.ci|datasets|reports|tests)/[A-Za-z0-9_./-]*[A-Za-z0-9_]", document)
    assert named
    for path in named:
        assert (ROOT / path).exists(), f"{path} of {name} is not there"


@pytest.mark.parametrize("words", [[], ["nonsense"]])
def test_the_set_up_script_says_how_to_call_it(words):
    done = subprocess.run(
        [sys.executable, str(ROOT / ".ci" / "fresh.py"), *words], capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 2
    assert "fresh.py demo" in done.stderr
    assert "fresh.py test" in done.stderr


def test_the_lock_names_hashes_and_no_address():
    lock = (ROOT / "requirements.lock").read_text(encoding="utf-8")
    assert "://" not in lock
    assert "index-url" not in lock
    pins = [line for line in lock.splitlines() if re.match(r"[a-z0-9].*==", line)]
    assert len(pins) > 50
    assert all(line.endswith("\\") for line in pins), "a pin without a hash"


def test_the_lock_holds_every_dependency():
    text = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    wanted = re.findall(r'^    "([a-z0-9-]+)>=', text, flags=re.MULTILINE)
    lock = (ROOT / "requirements.lock").read_text(encoding="utf-8")
    assert len(wanted) > 15
    for name in wanted:
        assert re.search(rf"^{name}==", lock, flags=re.MULTILINE), f"{name} is not in requirements.lock"


def test_the_changelog_has_a_section_for_this_version():
    version = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]
    changelog = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    assert re.search(rf"^## \[{re.escape(version)}\]", changelog, flags=re.MULTILINE)


def test_every_key_of_summary_json_is_in_the_readme():
    text = (ROOT / "pipelines" / "record.py").read_text(encoding="utf-8")
    body = text.split('"format": SUMMARY_FORMAT', 1)[1].split("}\n", 1)[0]
    keys = re.findall(r'^ {16}"([a-z_]+)":', body, flags=re.MULTILINE)
    assert len(keys) > 10
    section = README.split("**summary.json**", 1)[1].split("##", 1)[0]
    for key in keys:
        assert f"`{key}`" in section
