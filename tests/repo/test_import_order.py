"""Imports point one way along the line of stages, and nothing imports in a circle."""

import ast
import graphlib

from project import ROOT, modules

# From the foundations to the commands: a module may use what stands before it, never what comes after.
ORDER = (
    *("errors", "quantity", "geometry", "flags", "encoding", "typed", "memory", "task"),
    *("claims", "intake", "decode", "pdf", "page"),
    *("ranked", "statistics", "bootstrap", "reliability"),
    *(
        "sheet",
        "rule_strips",
        "lone_rules",
        "rule_pattern",
        "rules",
        "ruler",
        "calibration",
        "components",
        "rule_bits",
        "lifting",
        "ink",
        "stretches",
        "regions",
        "fragments",
        "baselines",
        "lines",
        "edges",
        "depth",
        "soft_rules",
        "restoration",
        "frame",
        "ticks",
        "turning",
        "shapes",
        "strays",
        "rows",
        "printed",
        "likeness",
        "hulls",
        "gap_kinds",
        "words",
        "crossings",
        "letter_kinds",
        "letters",
    ),
    *("reader", "alignment", "reached"),
    *("letter_shapes", "measures", "sources", "figures"),
    *(
        "record",
        "change",
        "repeats",
        "context",
        "growth",
        "history",
        "facts",
        "pipeline",
        "corrections",
        "legibility",
        "report",
        "store",
        "batch",
        "agreement",
    ),
    *("phantoms", "desk", "commands", "cli", "__main__"),
)


# One stage in two files: `decode` hands a PDF to `pdf`, which uses its checks, and loads it only then.
SAME = {"pdf": "decode"}


def imported(name, path, *, on_loading=False):
    """Modules of the package that the module imports: anywhere in it, or only while it is being loaded."""
    known = modules()
    tree = ast.parse(path.read_text("utf-8"))
    for node in tree.body if on_loading else ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names if alias.name.split(".")[0] == "handwriting")
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name}: relative import"
            if node.module and node.module.split(".")[0] == "handwriting":
                for alias in node.names:
                    inner = f"{node.module}.{alias.name}"
                    yield inner if inner in known else node.module


def stage(name):
    """Place of a module in the line; the package itself holds the version only and stands before all."""
    parts = name.split(".")
    if parts[1:3] == ["reader", "train"]:
        # Training stands apart from the line: it draws lines with the phantoms' hands.
        return ORDER.index("phantoms")
    return -1 if len(parts) == 1 else ORDER.index(SAME.get(parts[1], parts[1]))


def test_every_stage_has_a_place():
    assert {name.split(".")[1] for name in modules() if "." in name} <= set(ORDER)


def test_imports_point_one_way():
    backwards = [
        f"{name} imports {target}"
        for name, path in modules().items()
        for target in imported(name, path)
        if stage(target) > stage(name)
    ]
    assert not backwards


def test_no_import_circles():
    # A package's __init__ gathers its modules, so a module's use of its own package does not count.
    graph = {
        name: {t for t in imported(name, path, on_loading=True) if t != name and not name.startswith(t + ".")}
        for name, path in modules().items()
    }
    order = list(graphlib.TopologicalSorter(graph).static_order())
    assert set(modules()) <= set(order)


def test_the_line_of_stages_is_named_in_the_developers_notes():
    notes = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    missing = [s for s in {n.split(".")[1] for n in modules() if "." in n} if f"`{s}" not in notes]
    assert not missing
