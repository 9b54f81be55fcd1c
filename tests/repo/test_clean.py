"""What must not stand in the project: paths of a machine, registry hosts, labels on a writer, overgrown modules."""

import ast
import csv
import re
import tomllib

import pytest
from project import PACKAGE, ROOT, modules, text_files

MACHINE = re.compile("(^|[^A-Za-z0-9_.])/(" + "|".join(("work", "farm", "tmp", "root", "home")) + ")/[A-Za-z]")
HOSTS = re.compile("|".join(("pypi" + r"\.org", "registry" + r"\.npmjs", "deb" + r"\.debian", "python" + "hosted")))
# Words that put a writer in a class. Cautions may say what the program is *not*: 'diagnosis', 'screening'.
_LABELS = (
    "at[- ]risk",
    r"impair\w*",
    r"abnormal\w*",
    r"deficit\w*",
    r"red flag\w*",
    "(below|above) average",
    "poor(ly)?",
    "slow(ly)?",
    "fail(s|ed|ing)?",
    r"dys(graph|lex|prax)\w*",
    "adhd",
    r"autis\w*",
    "dcd",
    r"disorder\w*",
    r"disab\w*",
    "traffic light",
    "total score",
    "sloppy",
    "untidy",
    "messy",
)
LABELS = re.compile(rf"\b({'|'.join(_LABELS)})\b", re.IGNORECASE)
TO_COPY = ("handwriting.phantoms.passages",)  # texts to be drawn, not said of anybody


@pytest.mark.parametrize("pattern", [MACHINE, HOSTS], ids=["machine paths", "registry hosts"])
def test_no_path_or_host_of_one_place(pattern):
    hits = [
        f"{path.relative_to(ROOT)}:{number}"
        for path in text_files()
        for number, line in enumerate(path.read_text("utf-8").splitlines(), 1)
        if pattern.search(line)
    ]
    assert not hits


def test_the_patterns_find_what_they_are_for():
    assert MACHINE.search("see /" + "home/someone") and not MACHINE.search("../home/page")
    assert HOSTS.search("https://pypi" + ".org/simple")
    assert LABELS.search("a Poor hand") and LABELS.search("at-risk") and not LABELS.search("the failure rate is lower")


def spoken_strings(path):
    """Every string of a module that can reach a reader: all but docstrings; in cli.py a function's is its help."""
    tree = ast.parse(path.read_text("utf-8"))
    silent = set()
    for node in ast.walk(tree):
        function = isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        if isinstance(node, ast.Module | ast.ClassDef) or (function and path.name != "cli.py"):
            first = node.body[0] if node.body else None
            if isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant):
                silent.add(id(first.value))
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in silent:
            yield node.lineno, node.value


@pytest.mark.parametrize("name", [n for n in modules() if not n.startswith(("handwriting.reader.train", *TO_COPY))])
def test_no_label_in_what_the_program_says(name):
    path = modules()[name]
    hits = [f"{path.relative_to(ROOT)}:{line}: {text}" for line, text in spoken_strings(path) if LABELS.search(text)]
    assert not hits


def _values(node):
    if isinstance(node, dict):
        for value in node.values():
            yield from _values(value)
    elif isinstance(node, list):
        for value in node:
            yield from _values(value)
    else:
        yield str(node)


@pytest.mark.parametrize("path", sorted(PACKAGE.rglob("*.toml")), ids=lambda p: p.name)
def test_no_label_in_catalogues(path):
    values = list(_values(tomllib.loads(path.read_text("utf-8"))))
    assert values
    assert not [value for value in values if LABELS.search(value)]


@pytest.mark.parametrize(
    "path", sorted(p for e in ("j2", "css", "typ") for p in PACKAGE.rglob(f"*.{e}")), ids=lambda p: p.name
)
def test_no_label_in_templates(path):
    assert not LABELS.findall(path.read_text("utf-8"))


def test_no_label_in_notes_of_published_tables():
    for path in sorted((ROOT / "reference").glob("*/table.csv")):
        with path.open(encoding="utf-8", newline="") as file:
            assert not [row for row in csv.reader(file) if LABELS.search(" ".join(row))], path


def test_the_library_prints_nothing_and_names_what_it_catches():
    hits = []
    for name, path in modules().items():
        if name.startswith("handwriting.reader.train"):
            continue
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            everything = isinstance(node, ast.ExceptHandler) and getattr(node.type, "id", "") == "Exception"
            bare = isinstance(node, ast.ExceptHandler) and node.type is None
            prints = isinstance(node, ast.Call) and getattr(node.func, "id", "") == "print"
            # A child hands all to its parent: nobody else is there to be told; the command line has a person.
            catching = {"handwriting.intake", "handwriting.batch.work", "handwriting.cli"}
            if bare or prints or (everything and name not in catching):
                hits.append(f"{path.relative_to(ROOT)}:{node.lineno}")
    assert not hits


def test_modules_stay_short():
    lengths = {name: len(path.read_text("utf-8").splitlines()) for name, path in modules().items()}
    assert not {name: n for name, n in lengths.items() if n > 450}


def test_top_level_is_the_fixed_layout():
    allowed = {"README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml", "uv.lock"}
    allowed |= {"handwriting", "samples", "reference", "tests", "notebooks", "build", "dist", "out"}
    assert {p.name for p in ROOT.iterdir() if not p.name.startswith(".") and p.suffix != ".egg-info"} <= allowed
