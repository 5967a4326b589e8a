"""The documents say what the program does: commands, options, keys, exit codes."""

import re
from pathlib import Path

import pytest

from gridfit import cartables
from pipelines.cli import main

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
COMMANDS = ("propose", "refine", "compare", "inspect", "score")


@pytest.mark.parametrize("command", COMMANDS)
def test_every_option_is_in_the_readme(command, capsys):
    main([command, "--help"])
    said = capsys.readouterr().out
    options = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", said)) - {"--help"}
    assert options, "help names no option"
    assert f"gridfit {command}" in README
    assert not {option for option in options if option not in README}


def test_every_key_of_the_car_sheet_is_in_the_readme():
    keys = {
        key
        for table in vars(cartables).values()
        if isinstance(table, type) and getattr(table, "model_fields", None)
        for key in table.model_fields
    }
    assert len(keys) > 20
    assert not {key for key in keys if key not in README}


def test_exit_codes_are_told():
    for code in (0, 1, 2, 3, 4):
        assert re.search(rf"\b{code} ", README)


def test_the_readme_commands_exist():
    assert (ROOT / ".ci" / "fresh.py").exists()
    for name in re.findall(r"\]\((reports/[\w.]+)\)", README):
        assert (ROOT / name).exists(), name


def test_the_changelog_has_this_version():
    version = re.search(r'^version = "(.+)"', (ROOT / "pyproject.toml").read_text(), re.M)
    assert version is not None
    assert f"[{version[1]}]" in (ROOT / "CHANGELOG.md").read_text()
