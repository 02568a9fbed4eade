"""Reads what settle report wrote with libraries that aren't ours, as strictly as they can, and prints what is in it as one line of JSON.

read.py html FILE: html5lib, strict. Fails where the page could do or ask for anything, where a picture has no text alternative, and where ids are not unique.
read.py schema SCHEMA FILE: jsonschema.
read.py pdf FILE: pypdf, the text of each page."""

import json
import re
import sys
from collections import Counter

HTML = "{http://www.w3.org/1999/xhtml}"
SVG = "{http://www.w3.org/2000/svg}"
# What may be on the page at all. There is nothing that runs, embeds or asks for anything among it.
ELEMENTS = set(
    "html head meta title style body main header section nav h1 h2 h3 p ol ul li a div span figure figcaption table caption thead tbody tr th td dl dt dd".split()
)
SHAPES = set("svg title desc polyline polygon circle text rect".split())


def words(element):
    return re.sub(r"\s+", " ", "".join(element.itertext())).strip()


def read_html(path):
    import html5lib

    with open(path, "rb") as file:
        parser = html5lib.HTMLParser(tree=html5lib.getTreeBuilder("etree"), strict=True)
        page = parser.parse(file)
    by_id = {}
    for element in page.iter():
        if not isinstance(element.tag, str):
            raise SystemExit("there is a comment in the page")
        name = element.tag.removeprefix(HTML).removeprefix(SVG)
        allowed = SHAPES if element.tag.startswith(SVG) else ELEMENTS
        if name not in allowed:
            raise SystemExit(f"<{name}> in the page")
        for attribute, value in element.attrib.items():
            if attribute.startswith("on") or attribute in ("src", "srcset", "action", "style") or (attribute == "href" and not value.startswith("#")):
                raise SystemExit(f"{attribute}={value!r} in the page")
        if "id" in element.attrib:
            if element.attrib["id"] in by_id:
                raise SystemExit(f"two elements are called {element.attrib['id']}")
            by_id[element.attrib["id"]] = element
    style = "".join(words(element) for element in page.iter(HTML + "style"))
    for what in ("url(", "@import", "</"):
        if what in style:
            raise SystemExit(f"{what} in the style sheet")
    for link in page.iter(HTML + "a"):
        if link.attrib["href"].removeprefix("#") not in by_id:
            raise SystemExit(f"a link leads to {link.attrib['href']}, which isn't there")
    within = {element: words(next(section.iter(HTML + "h2"))) for section in page.iter(HTML + "section") for element in section.iter()}
    return {
        "title": words(next(page.iter(HTML + "title"))),
        "policy": [meta.attrib["content"] for meta in page.iter(HTML + "meta") if meta.attrib.get("http-equiv") == "Content-Security-Policy"],
        "marks": [words(element) for element in page.iter(HTML + "p") if element.attrib.get("class") == "mark"],
        "headings": [words(element) for element in page.iter(HTML + "h2")],
        "statements": statements(page),
        "plots": [{"section": within[figure], **plot(figure, by_id)} for figure in page.iter(HTML + "figure")],
        "tables": [{"section": within[element], **table(element)} for element in page.iter(HTML + "table")],
        "text": words(next(page.iter(HTML + "body"))),
    }


def statements(page):
    found = []
    for item in page.iter(HTML + "li"):
        parts = {span.attrib.get("class"): span for span in item.iter(HTML + "span")}
        if "verdict" in parts:
            found.append({"tone": item.attrib["class"], "verdict": words(parts["verdict"]), "place": words(parts["where"]), "words": words(parts["words"])})
    return found


def plot(figure, by_id):
    (picture,) = figure.iter(SVG + "svg")
    if picture.attrib.get("role") != "img":
        raise SystemExit("a picture that isn't said to be one")
    named = [words(by_id[name]) for name in picture.attrib["aria-labelledby"].split()]
    if len(named) != 2 or not all(named):
        raise SystemExit(f"a picture without a title and a description: {named}")
    (caption,) = figure.findall(HTML + "figcaption")
    roles = Counter(shape.attrib.get("class") for shape in picture)
    texts = [[shape.attrib.get("class"), words(shape)] for shape in picture.findall(SVG + "text")]
    return {"title": named[0], "description": named[1], "caption": words(caption), "roles": roles, "texts": texts}


def table(element):
    rows = [[words(cell) for cell in row] for row in element.iter(HTML + "tr")]
    if len({len(row) for row in rows}) != 1:
        raise SystemExit(f"a table whose rows aren't alike: {rows[0]}")
    return {"caption": words(element.find(HTML + "caption")), "rows": rows}


def read_schema(schema, path):
    import jsonschema

    with open(schema, encoding="utf-8") as file:
        schema = json.load(file)
    with open(path, encoding="utf-8") as file:
        instance = json.load(file)
    jsonschema.Draft202012Validator.check_schema(schema)
    mistakes = [f"{mistake.json_path}: {mistake.message[:200]}" for mistake in jsonschema.Draft202012Validator(schema).iter_errors(instance)]
    return {"mistakes": mistakes}


def read_pdf(path):
    import pypdf

    reader = pypdf.PdfReader(path, strict=True)
    return {"pages": [page.extract_text() for page in reader.pages], "sizes": [[float(side) for side in page.mediabox[2:]] for page in reader.pages]}


print(json.dumps({"html": read_html, "schema": read_schema, "pdf": read_pdf}[sys.argv[1]](*sys.argv[2:])))
