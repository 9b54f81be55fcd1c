"""The comparison report and the PDF of one page: the same numbers everywhere, readable by eye, ear and machine."""

import csv
import importlib.resources
import io
import json
import re
import shutil
import string
from dataclasses import replace

import pdfua
import pikepdf
import pypdfium2
import pytest
from pages_over_time import measured, sample
from report_fixture import measures, page
from test_report_words import FORBIDDEN, ONLY_DENIED

from handwriting.change import Ruled
from handwriting.history import history
from handwriting.quantity import Measured, NotMeasured
from handwriting.report.compare import comparison_csv, comparison_json, render_comparison, write_comparison
from handwriting.report.compared import view
from handwriting.report.html import render_html
from handwriting.report.pdf import comparison_pdf, page_pdf
from handwriting.report.words import LANGUAGES, catalogue, find_catalogue

CHROMIUM = shutil.which("chromium")
SAID = "My <hand> got tired & sore."


def grown(times, *, x_height=1.0):
    """Return the fixture's measures with values changed a little, and the x-height by a factor."""
    found = {}
    for place, (key, q) in enumerate(measures().items()):
        f = (1 + 0.03 * ((times * 7 + place * 3) % 5 - 2)) * (x_height if key == "x_height" else 1.0)
        found[key] = replace(q, value=q.value * f, low=q.low * f, high=q.high * f) if isinstance(q, Measured) else q
    return found


def told(*, known=True, later=None, terms=3):
    """Return a history: three terms at school, two at home, and twelve pairs of repeats when `known`."""
    repeats = [
        tuple(sample(day, grown(i + place), code=f"R{i:02d}") for place, day in enumerate(("2026-03-02", "2026-03-05")))
        for i in range(12)
    ]
    days = (("Autumn", "2025-10-06"), ("Spring", "2026-02-03"), ("Summer", "2026-06-10"))[:terms]
    pages = [
        sample(day, grown(i, x_height=1.0 + 0.3 * (i == 2)), term=term, grade=4, said=SAID if i == 0 else "", effort=7)
        for i, (term, day) in enumerate(days)
    ]
    pages += [sample(day, grown(i), term=term, setting="home") for i, (term, day) in enumerate(days[1:])]
    if later:
        pages = [pages[0], replace(pages[-1], setting="school", **later)]
    return history(pages, repeats if known else ())


@pytest.fixture(scope="module")
def known():
    return told()


def shown(one, language="en", *, seen=False):
    record, picture = page(60, lines=20)
    pictures = (
        [(record, picture), (replace(record, task={**record.task, "date": "2026-06-10"}), picture)] if seen else ()
    )
    return view(one, catalogue(language), software="handwriting 1", pictures=pictures)


def text_of(html):
    body = html[html.index("<body") :]
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", body))


def pdf_text(data):
    document = pypdfium2.PdfDocument(data)
    try:
        return [document[i].get_textpage().get_text_range() for i in range(len(document))]
    finally:
        document.close()


# --- the same numbers everywhere ------------------------------------------------------------------------------------


def test_every_measure_is_in_table_csv_and_json(known):
    rows = list(csv.DictReader(io.StringIO(comparison_csv(known, catalogue()))))
    document = json.loads(comparison_json(known))
    differences = {d.key: d for d in known.comparison.differences}
    assert {r["key"] for r in rows if r["claim"]} == set(differences) == {d["key"] for d in document["differences"]}
    for r in rows:
        if r["claim"]:
            d = differences[r["key"]]
            assert float(r["difference"]) == pytest.approx(d.difference, rel=1e-5, abs=1e-12)
            assert (r["claim"], int(r["df"])) == (d.claim, 12)
    assert [r["why"] for r in rows if not r["claim"]]
    html = text_of(render_comparison(shown(known), catalogue()))
    for row in shown(known).rows:
        for cell in (row.name, row.before, row.after, row.difference, row.claim):
            assert cell in html


def test_a_change_and_what_stayed_stand_under_their_headings(known):
    v = shown(known)
    assert [r.name for r in v.larger] == ["Height of small letters"]
    assert not v.untold and len(v.alike) > 6
    html = render_comparison(v, catalogue())
    assert html.index("About the same") < html.index("Changed by more")  # what is steady comes first
    assert "by luck alone" in html.lower()


def test_without_repeats_numbers_stand_side_by_side_and_the_reason_is_said():
    v = shown(told(known=False))
    assert not v.alike and not v.larger and len(v.untold) > 6
    assert "10 pairs" in v.untold_why
    assert all(r.claim == "cannot be told from it" and "marks alone" in r.difference for r in v.rows)
    assert not v.chance
    assert "no repeats of this task" in " ".join(said for _, said in v.errors)


def test_the_three_errors_are_named_and_kept_apart(known):
    names = [name for name, _ in shown(known).errors]
    assert names == ["The same scan again", "The same page, scanned again", "A new page by the same writer"]
    assert "24 pages by 12 pupils, 12 degrees" in shown(known).errors[2][1]


def test_what_was_unlike_is_said_first_and_millimetres_are_withheld():
    v = shown(told(later={"ruled": Ruled("single", 12.0), "tool": "pencil", "text": "b"}))
    assert v.loud[0].startswith("Printed lines: single lines, 8.0 mm, then single lines, 12.0 mm")
    assert any("pencil" in line for line in v.loud) and any("text" in line for line in v.loud)
    html = render_comparison(v, catalogue())
    assert html.index("not asked for alike") < html.index("What the pages show")
    assert "Gap between words against small letters" in {r.name for r in v.rows}
    assert not [r.name for r in v.rows if " mm" in r.before]
    assert any("not compared across rulings" in why for why, _ in v.not_compared)


def test_the_grid_is_there_with_its_sentences(known):
    v = shown(known)
    assert len(v.places) == 2 and len(v.grid) > 20
    assert {t for t, _ in v.grid[0].cells} == {"Autumn", "Spring", "Summer"}
    assert v.context and "Height of small letters" in " ".join(v.context)
    assert not shown(history([sample("2025-10-01", term="A"), sample("2025-12-01", term="A")])).grid


def test_speed_growth_is_context_only(known):
    v = shown(known)
    assert v.growth and "grade 4" in v.growth[0]
    assert "For context only" in text_of(render_comparison(v, catalogue()))


# --- words ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", ["known", "unknown", "unlike"])
def test_no_label_and_no_verdict(case, known):
    one = (
        {"known": known, "unknown": told(known=False), "unlike": told(later={"task": "own-words"})}[case]
        if case != "known"
        else known
    )
    text = text_of(render_comparison(shown(one), catalogue())).replace(SAID, "")
    assert not FORBIDDEN.findall(text)
    for sentence in re.split(r"(?<=[.!?]) ", text):
        if ONLY_DENIED.search(sentence):
            assert re.search(r"\bnot\b|\bcannot\b|nobody", sentence, re.IGNORECASE), sentence


def test_catalogues_have_the_same_keys_and_places():
    import tomllib

    documents = {
        lang: tomllib.loads(
            importlib.resources.files("handwriting.report").joinpath(f"words.{lang}.toml").read_text("utf-8")
        )
        for lang in LANGUAGES
    }
    english = documents.pop("en")
    places = lambda text: {name for _, name, _, _ in string.Formatter().parse(text) if name}  # noqa: E731
    for other in documents.values():
        assert set(other) - {"flags"} == set(english)
        for table, entries in english.items():
            if table == "topics":
                assert [(t["key"], t["measures"]) for t in other[table]] == [(t["key"], t["measures"]) for t in entries]
            elif table == "measures":
                assert set(other[table]) == set(entries)
                for key, words in entries.items():
                    own = other[table][key]
                    assert set(own) == set(words), key
                    for name, text in words.items():
                        if isinstance(text, str) and name != "spread":
                            assert places(own[name]) == places(text), (key, name)
                        elif not isinstance(text, str):
                            assert own[name] == text
            elif isinstance(entries, dict):
                assert set(other[table]) == set(entries), table
                for key, text in entries.items():
                    assert places(other[table][key]) == places(text), (table, key)


def test_every_flag_has_its_words_in_every_language():
    from handwriting.flags import FLAGS

    for language in LANGUAGES:
        held = catalogue(language).flags
        assert set(held) == set(FLAGS), language
        assert all(f.meaning and f.effect and f.advice for f in held.values())


def test_a_language_that_is_not_there():
    from handwriting.errors import UsageError

    with pytest.raises(UsageError, match="no words in 'xx'"):
        find_catalogue("xx")


def test_french_is_french_with_its_own_decimals(known):
    record, picture = page(60, lines=4)
    for html in (
        render_comparison(shown(known, "fr"), catalogue("fr")),
        render_html(record, picture, words=catalogue("fr")),
    ):
        assert 'lang="fr-FR"' in html
        text = text_of(html)
        assert re.search(r"\d,\d", text)
        assert not re.search(r"\b(likely|measure|between|the page)\b", re.sub(r"\(en anglais\).*?(?=[.;])", "", text))
        assert "Avant d’utiliser ces nombres" in text


_VOWELS = re.compile(r"[aeiouy]+")


def syllables(word):
    bare = word.lower()
    n = len(_VOWELS.findall(bare)) - (bare.endswith("e") and not bare.endswith(("le", "ee")))
    return max(n - bare.endswith(("ed", "es")) * (not re.search(r"([td]ed|[sxz]es|ches|shes)$", bare)), 1)


def grade_level(text):
    """Flesch-Kincaid grade: Kincaid et al. 1975, Derivation of new readability formulas (recalled)."""
    sentences = [s for s in re.split(r"[.!?:;]\s|\.$", text) if re.search(r"[A-Za-z]", s)]
    words = re.findall(r"[A-Za-z’']+", text)
    return 0.39 * len(words) / len(sentences) + 11.8 * sum(map(syllables, words)) / len(words) - 15.59


def test_the_formula_knows_easy_from_hard():
    assert grade_level("The cat sat on the mat. It was fat.") < 2
    assert grade_level("Institutional considerations necessitate comprehensive organisational deliberation.") > 15


@pytest.mark.parametrize("known_error", [True, False])
def test_the_text_part_reads_at_about_nine_years(known_error):
    # About nine years of age is grade 3 to 4.
    t = catalogue().text
    v = shown(told(known=known_error))
    said = [t["compare_intro"], t["alike_title"] + ".", t["larger_title"] + ".", t["untold_title"] + ".", v.untold_why]
    said += [v.chance, t["charts_note"], t["loud_title"] + ".", t["loud_note"], t["untold_unlike"]]
    said += [f"{row.name}." for row in (*v.alike, *v.larger, *v.untold)]
    level = grade_level(" ".join(s for s in said if s))
    assert level < 5.5, level


# --- readable by machine and ear ----------------------------------------------------------------------------------


def test_the_page_fetches_nothing_and_text_is_escaped(known):
    html = render_comparison(shown(known), catalogue())
    assert "<script" not in html and "http" not in html.replace("http-equiv", "").replace(
        "http://www.w3.org/2000/svg", ""
    )
    assert "&lt;hand&gt; got tired &amp; sore." in html and SAID not in html


def test_the_pages_are_shown_with_what_was_found_on_them(known):
    html = render_comparison(shown(known, seen=True), catalogue())
    images = re.findall(r'<figcaption>([^<]*)</figcaption><img src="data:image/webp;base64,[^"]+" alt="([^"]+)"', html)
    assert [date for date, _ in images] == ["2026-11-03", "2026-06-10"]
    assert all("20 lines of writing" in alt for _, alt in images)
    assert "<img" not in render_comparison(shown(known), catalogue())


def test_charts_carry_their_numbers_in_words(known):
    v = shown(known)
    assert 6 <= len(v.charts) <= 9
    for chart in v.charts:
        assert chart.alt.count("likely") == 3
        assert f'aria-label="{chart.alt}"' in chart.svg


def pdfs(tmp_path_factory):
    record, picture = page(100, lines=24)
    record = replace(record, task={**record.task, "said": SAID})
    wide = told(later={"ruled": Ruled("single", 12.0), "tool": "pencil", "task": "own-words"})
    for language in LANGUAGES:
        words = catalogue(language)
        yield f"page-{language}", page_pdf(record, picture, words=words)
        yield f"known-{language}", comparison_pdf(shown(told(), language, seen=True), words)
        yield f"unlike-{language}", comparison_pdf(shown(wide, language), words)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return dict(pdfs(tmp_path_factory))


@pytest.mark.parametrize("name", [f"{kind}-{lang}" for kind in ("page", "known", "unlike") for lang in LANGUAGES])
def test_pdf_is_accessible(made, name, tmp_path):
    path = tmp_path / f"{name}.pdf"
    path.write_bytes(made[name])
    report = pdfua.validate(path)
    assert not report.findings, report.findings
    with pikepdf.open(path) as document:
        assert str(document.Root.Lang)[:2] == name[-2:]
        assert document.Root.MarkInfo.Marked and document.Root.ViewerPreferences.DisplayDocTitle
        kinds = list(elements(document.Root.StructTreeRoot))
    names = [kind for kind, _ in kinds]
    assert all(alt for kind, alt in kinds if kind == "/Figure") and "/Figure" in names
    assert names.count("/Table") >= 2 and names.count("/TH") > names.count("/Table")
    assert "/H1" in names and names.count("/H2") >= 4 and "/L" in names


def elements(node):
    """Every element of the structure tree: its kind and its words for the blind."""
    if isinstance(node, pikepdf.Array):
        for one in node:
            yield from elements(one)
    elif isinstance(node, pikepdf.Dictionary):
        if "/S" in node:
            yield str(node.S), str(node.get("/Alt", ""))
        if "/K" in node:
            yield from elements(node.K)


@pytest.mark.parametrize("name", ["page-en", "page-fr", "known-en", "known-fr", "unlike-en"])
def test_the_part_for_every_reader_fills_two_pages_at_most(made, name):
    heading = catalogue(name[-2:]).text["technical_part"]
    texts = pdf_text(made[name])
    start = next(i for i, text in enumerate(texts) if heading in text)
    assert 1 <= start <= 2
    first = " ".join(texts[:start])
    # Line breaks of the PDF fall anywhere: compare without spaces.
    bare = re.sub(r"\s+", "", first)
    for text in (*catalogue(name[-2:]).cautions, catalogue(name[-2:]).purpose, catalogue(name[-2:]).text["notes"]):
        assert re.sub(r"\s+", "", text) in bare
    if "unlike" not in name:
        assert re.sub(r"\s+", "", SAID) in bare


def test_pdf_holds_the_numbers_of_the_html(made, known):
    text = re.sub(r"\s+", "", " ".join(pdf_text(made["known-en"])))
    for row in shown(known).rows:
        for cell in (row.name, row.before, row.after, row.difference):
            assert re.sub(r"\s+", "", cell) in text


def test_a_page_without_measures_still_makes_a_pdf():
    record, picture = page(60, lines=4)
    bare = record.with_measures({key: NotMeasured("no-scale", "Nothing.") for key in record.measures})
    assert "No measure could be made" in " ".join(pdf_text(page_pdf(replace(bare, comparisons=()), picture)))


@pytest.mark.parametrize(
    "text", ["日本語の文", "Straße Ωμέγα Жук", "حكيم", "ได้", "😀 word", "\U0001f468\u200d\U0001f469 \u2e3b"]
)
def test_signs_that_the_typeface_lacks_are_empty_boxes(text):
    """The HTML leaves every sign to the reader's own typefaces; the PDF brings its own."""
    record, picture = page(60)
    asked = {**record.task, "text": f"{text} and some words", "said": text}
    told = " ".join(pdf_text(page_pdf(replace(record, task=asked), picture)))
    assert "and some words" in told
    assert ("▯" in told) == (text in {"日本語の文", "ได้", "😀 word", "\U0001f468\u200d\U0001f469 \u2e3b"})


def test_files_appear_whole(tmp_path, known):
    written = write_comparison(known, tmp_path / "out")
    assert [p.name for p in written.values()] == ["compare.html", "compare.pdf", "compare.csv", "compare.json"]
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == sorted(p.name for p in written.values())


@pytest.mark.skipif(CHROMIUM is None, reason="no browser to look with")
@pytest.mark.parametrize("language", LANGUAGES)
def test_axe_finds_nothing(language, known, tmp_path):
    playwright = pytest.importorskip("playwright.sync_api")
    axe = (
        importlib.resources.files(pytest.importorskip("axe_playwright_python"))
        .joinpath("axe.min.js")
        .read_text("utf-8")
    )
    record, picture = page(60, lines=9)
    words = catalogue(language)
    wide = told(later={"ruled": Ruled("single", 12.0), "tool": "pencil"})
    pages = {
        "page": render_html(record, picture, words=words),
        "known": render_comparison(shown(known, language, seen=True), words),
        "unlike": render_comparison(shown(wide, language), words),
    }
    with playwright.sync_playwright() as tools:
        browser = tools.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        # The checker is script, which the page's own policy rightly stops: it is set aside for the check.
        tab = browser.new_context(bypass_csp=True).new_page()
        for name, html in pages.items():
            source = tmp_path / f"{name}.html"
            source.write_text(html, "utf-8")
            for width in (1200, 420):
                tab.set_viewport_size({"width": width, "height": 900})
                tab.goto(source.as_uri())
                tab.evaluate(axe)
                found = tab.evaluate("axe.run(document, { resultTypes: ['violations'] })")
                faults = [f"{v['id']}: {n['html'][:200]}" for v in found["violations"] for n in v["nodes"]]
                assert not faults, (name, width, faults)
        browser.close()


@pytest.mark.skipif(CHROMIUM is None, reason="no browser to look with")
def test_the_report_can_be_read_on_a_telephone(tmp_path):
    """No column is squeezed into single letters, nothing but tables and the chart has to be moved sideways."""
    playwright = pytest.importorskip("playwright.sync_api")
    source = tmp_path / "page.html"
    source.write_text(render_html(*page(60, lines=9), words=catalogue("fr")), "utf-8")
    with playwright.sync_playwright() as tools:
        browser = tools.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        tab = browser.new_page(viewport={"width": 375, "height": 800})
        tab.goto(source.as_uri())
        assert tab.evaluate("document.documentElement.scrollWidth") == 375
        cells = tab.evaluate(
            "[...document.querySelectorAll('td, tbody th')].filter(c => c.offsetWidth)"
            ".map(c => [c.textContent, c.offsetWidth, c.offsetHeight])"
        )
        for text, width, height in cells:
            assert len(text) < 8 or (width >= 60 and height < 200), text
        sizes = tab.evaluate(
            "[...document.querySelectorAll('main p, main li, main dd, td')]"
            ".map(e => parseFloat(getComputedStyle(e).fontSize))"
        )
        assert min(sizes) >= 12
        value = tab.evaluate("document.querySelector('.measures tbody .number').getBoundingClientRect().right")
        assert value < 375, "the first measure's value is seen without moving the table"
        browser.close()


def test_one_measure_is_enough():
    v = shown(
        history(
            [
                sample("2025-10-01", {"x_height": measured(2.0, "mm")}),
                sample("2026-10-01", {"x_height": measured(2.1, "mm")}),
            ]
        )
    )
    assert len(v.rows) == 1
    assert comparison_pdf(v, catalogue()).startswith(b"%PDF")
