"""The README names every command, option and exit code there is, and none that there is not."""

import re
import shlex
from itertools import pairwise

import pytest
import typer
from project import ROOT

from handwriting import errors
from handwriting.cli import app

README = (ROOT / "README.md").read_text("utf-8")
COMMANDS = typer.main.get_command(app).commands
EXITS = {cls.exit_code for cls in vars(errors).values() if isinstance(cls, type) and issubclass(cls, Exception)}
SETUP = re.search(r"<!-- setup:begin -->\n```\n(.*)\n```\n<!-- setup:end -->", README, re.DOTALL)


def test_there_are_commands():
    assert {"measure", "figures", "passages", "sheet", "phantom", "schema"} <= set(COMMANDS)


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_command_is_in_the_table(name):
    assert re.search(rf"^\| `handwriting {name}\b", README, re.MULTILINE)


def test_every_command_named_exists():
    named = set(re.findall(r"`(?:[\w./]*/)?handwriting ([a-z]+(?:-[a-z]+)*)", README))
    assert named <= set(COMMANDS)


def test_every_option_named_exists():
    real = {option for command in COMMANDS.values() for parameter in command.params for option in parameter.opts}
    named = set(re.findall(r"`(--[a-z-]+)", README))
    assert named <= real | {"--help"}


def test_exit_codes():
    table = {int(code) for code in re.findall(r"^\| (\d+) \|", README, re.MULTILINE)}
    assert table == EXITS | {0, 130}


def test_two_set_up_commands():
    lines = SETUP.group(1).splitlines()
    assert len(lines) == 2
    first, second = (line.split(" && ") for line in lines)
    assert first[0].startswith("python3 -m venv") and first[1].endswith("pip install .")
    assert second[0].endswith("pip install -e '.[dev]'") and "pytest" in second[1]


def test_the_first_command_uses_real_options_and_files():
    words = shlex.split(SETUP.group(1).splitlines()[0].split(" && ")[2])
    assert words[0].endswith("/handwriting")
    command = COMMANDS[words[1]]
    real = {option for parameter in command.params for option in parameter.opts}
    assert {word for word in words if word.startswith("--")} <= real
    for before, word in pairwise(words):
        if word.startswith("samples/") and before != "--out":
            assert (ROOT / word).is_file(), word


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_marks_for_the_accuracy_table(name):
    text = (ROOT / name).read_text("utf-8")
    assert text.count("<!-- accuracy:begin -->") == text.count("<!-- accuracy:end -->") == 1
    assert text.index("<!-- accuracy:begin -->") < text.index("<!-- accuracy:end -->")


def test_changelog_headings():
    text = (ROOT / "CHANGELOG.md").read_text("utf-8")
    allowed = {"**Changed numbers**", "Changed numbers", "Added", "Fixed", "Refused now"}
    assert set(re.findall(r"^### (.+)$", text, re.MULTILINE)) <= allowed
    from handwriting import __version__

    assert f"## {__version__}" in text
