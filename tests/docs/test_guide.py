"""The user guide and the card name buttons, links and pictures that exist."""

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
GUIDE, CARD = ROOT / "docs" / "guide.md", ROOT / "docs" / "card.html"
PICTURES = ROOT / "docs" / "guide"
MOST_BYTES = 600_000
# Bold openings of list items, which end with a full stop, are no names.
NAMES = {GUIDE: re.compile(r"\*\*([^*]+)\*\*"), CARD: re.compile(r"<b>([^<]+)</b>")}


def shown() -> str:
    """Templates without the tags of forms and conditions, and the quoted texts of the modules, in lower case."""
    templates = [path.read_text() for path in sorted((ROOT / "templates").rglob("*.html"))]
    modules = [
        path.read_text()
        for package in ("pages", "maintenance")
        for path in sorted((ROOT / package).rglob("*.py"))
    ]
    texts = re.sub(r'\{% translate "([^"]*)".*?%\}', r"<>\1<>", "\n".join(templates))
    return " ".join([re.sub(r"\{[%{].*?[%}]\}", "<>", texts), *modules]).lower()


def is_shown(name: str, text: str) -> bool:
    """Whether the name is a whole text, or the whole beginning of one, between tags or quotes."""
    return re.search(rf'[>"]\s*{re.escape(name.lower())}\s*[<"]', text) is not None


def test_the_guide_and_the_card_name_what_the_pages_show():
    text = shown()
    for page, pattern in NAMES.items():
        found = {" ".join(name.split()) for name in pattern.findall(page.read_text())}
        names = {name for name in found if not name.endswith(".")}
        assert len(names) > 15
        assert sorted(name for name in names if not is_shown(name, text)) == [], page.name
    assert not is_shown("Fit the spool at once", text)


def test_the_pictures_of_the_guide_are_there_and_small():
    named = set(re.findall(r"\(guide/([\w-]+\.png)\)", GUIDE.read_text()))
    files = {path.name: path.stat().st_size for path in PICTURES.glob("*.png")}
    assert named == set(files)
    assert sum(files.values()) < MOST_BYTES


def test_the_links_within_the_guide_lead_somewhere():
    text = GUIDE.read_text()
    headings = {
        re.sub(r"[^\w -]", "", line.lstrip("# ")).strip().lower().replace(" ", "-")
        for line in text.splitlines()
        if line.startswith("#")
    }
    assert set(re.findall(r"\]\(#([\w-]+)\)", text)) <= headings
    assert [
        file
        for file in re.findall(r"\]\(([\w./-]+)(?:#[\w-]+)?\)", text)
        if not (GUIDE.parent / file).exists()
    ] == []


def test_the_card_needs_nothing_but_itself():
    assert re.findall(r"<(?:script|link|img|iframe)|https?:|url\(", CARD.read_text()) == []
