"""The exported GeoPackage opens drawn as the report is, with names for people."""

from __future__ import annotations

import re
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import pandas as pd
import pyogrio
import pytest
import shapely

import waysapart as wa
from dig_plant import two_ways
from everyday import some
from random_plant import write_random_study
from small_study import write_small_study
from waysapart.colours import DARK, LIGHT, PRINT, style_sheet
from waysapart.export.layers import LAYERS
from waysapart.export.styles import AREAS, FOUND, LINES, POINTS, Mark, Rule, Stroke, style_of
from waysapart.output_files import OutputFile, written_by_us

SLD, OGC = "{http://www.opengis.net/sld}", "{http://www.opengis.net/ogc}"
TEMPLATES = Path(wa.__file__).parent / "report" / "templates"


@pytest.fixture(scope="module")
def demo(estuary_proof: wa.Proof, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("styles") / "ring.gpkg"
    wa.export(estuary_proof, path)
    return path


def asked(path: Path, query: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as base:
        return base.execute(query).fetchall()


def styles(path: Path) -> dict[str, tuple[ET.Element, ET.Element]]:
    """SLD and the other form of each layer."""
    rows = asked(path, "SELECT f_table_name, styleSLD, styleQML FROM layer_styles")
    return {str(name): (ET.fromstring(str(a)), ET.fromstring(str(b))) for name, a, b in rows}


def test_every_drawn_layer_has_one_style_that_is_applied_by_itself(demo: Path) -> None:
    """By the convention: columns, empty catalogue and schema, the layer's own geometry column."""
    drawn = dict(asked(demo, "SELECT table_name, column_name FROM gpkg_geometry_columns"))
    rows = asked(
        demo,
        "SELECT f_table_name, f_geometry_column, f_table_catalog, f_table_schema, useAsDefault "
        "FROM layer_styles",
    )
    assert {name for name, layer in LAYERS.items() if layer.geometry} <= set(drawn)
    assert sorted(rows) == sorted((name, column, "", "", 1) for name, column in drawn.items())
    columns = [name for _, name, *_ in asked(demo, "PRAGMA table_info(layer_styles)")]
    assert columns == [
        *("id", "f_table_catalog", "f_table_schema", "f_table_name", "f_geometry_column"),
        *("styleName", "styleQML", "styleSLD", "useAsDefault", "description", "owner", "ui"),
        "update_time",
    ]
    told = "SELECT data_type, srs_id FROM gpkg_contents WHERE table_name = 'layer_styles'"
    assert asked(demo, told) == [("attributes", None)]
    assert asked(demo, "PRAGMA integrity_check") == [("ok",)]


# --- Each row is drawn by one rule, the same in both forms


class Rows:
    """The rows of one layer, and which rule draws each by either form of its style."""

    def __init__(self, path: Path, layer: str, sld: ET.Element, qml: ET.Element) -> None:
        self.frame = pyogrio.read_dataframe(path, layer=layer, fid_as_index=True)
        kinds = {0: "Point", 1: "Line", 2: "Polygon"}
        dimension = shapely.get_dimensions(self.frame.geometry.to_numpy())
        self.kind = dict(zip(self.frame.index, map(kinds.get, dimension), strict=True))
        self.sld, self.qml = sld, qml
        self.path, self.layer = path, layer

    def by_expression(self) -> dict[int, list[str]]:
        """Titles of the rules whose expression holds; SQLite reads the expressions alike."""
        found: dict[int, list[str]] = {fid: [] for fid in self.frame.index}
        with closing(sqlite3.connect(self.path)) as base:
            base.execute("CREATE TEMP TABLE shapes (fid INTEGER PRIMARY KEY, kind TEXT)")
            base.executemany("INSERT INTO shapes VALUES (?, ?)", self.kind.items())
            for rule in self.qml.iter("rule"):
                where = rule.get("filter", "true").replace(
                    "geometry_type($geometry)", "(SELECT kind FROM shapes WHERE fid = _fid)"
                )
                for (fid,) in base.execute(f'SELECT _fid FROM "{self.layer}" WHERE {where}'):
                    found[fid].append(str(rule.get("label")))
        return found

    def by_filter(self) -> dict[int, set[str]]:
        """Titles of the rules whose OGC filter holds."""
        found: dict[int, set[str]] = {}
        for fid, row in self.frame.iterrows():
            found[fid] = {
                str(rule.findtext(f"{SLD}Title"))
                for rule in self.sld.iter(f"{SLD}Rule")
                if (test := rule.find(f"{OGC}Filter")) is None or holds(test[0], row)
            }
        return found


def holds(test: ET.Element, row: pd.Series) -> bool:
    """A filter as OGC 02-059 has it: a comparison with a blank does not hold."""
    name = test.tag.removeprefix(OGC)
    if name in ("And", "Or"):
        return {"And": all, "Or": any}[name](holds(one, row) for one in test)
    if name == "Not":
        return not holds(test[0], row)
    value = row[str(test.findtext(f"{OGC}PropertyName"))]
    if name == "PropertyIsNull":
        return bool(pd.isna(value))
    if pd.isna(value):
        return False
    literal = test.findtext(f"{OGC}Literal") or ""
    if name == "PropertyIsGreaterThan":
        return float(value) > float(literal)
    assert name == "PropertyIsEqualTo"
    return str(value) == literal


def check_one_rule_a_row(path: Path) -> dict[str, set[str]]:
    """Titles in use by layer."""
    used: dict[str, set[str]] = {}
    for layer, (sld, qml) in styles(path).items():
        rows = Rows(path, layer, sld, qml)
        by_filter = rows.by_filter()
        for fid, titles in rows.by_expression().items():
            if rows.kind[fid] is not None:
                assert len(titles) == 1, (layer, fid, titles)
                assert by_filter[fid] == set(titles), (layer, fid)
                used.setdefault(layer, set()).update(titles)
    return used


def test_every_row_of_the_demo_is_drawn_by_one_rule_the_same_in_both_forms(demo: Path) -> None:
    used = check_one_rule_a_row(demo)
    assert set(FOUND) <= set(used)
    assert {
        f"{path} path, {verdict}"
        for path in ("main", "alternate")
        for verdict in ("shared", "unproven", "accepted", "apart")
    } == used["found_paths"]
    assert len(used["found_shared"]) == 3, "avoidable, accepted, and what the ends need"
    assert len(used["found_gaps"]) == 2
    assert len(used["found_hazards"]) == 2


@pytest.mark.parametrize("seed", some(range(6), every=6))
def test_so_is_every_row_of_a_random_plant(seed: int, tmp_path: Path) -> None:
    study = wa.read_study(write_random_study(tmp_path / "study", 9700 + seed))
    wa.export(study, tmp_path / "out.gpkg")
    assert check_one_rule_a_row(tmp_path / "out.gpkg")["found_paths"]


# --- The report's own colours, and not colour alone


def hexes(path: Path) -> set[str]:
    found: set[str] = set()
    for sld, qml in styles(path).values():
        found |= set(re.findall(r"#[0-9a-f]{6}", ET.tostring(sld, encoding="unicode")))
        for prop in qml.iter("prop"):
            parts = str(prop.get("v")).split(",")
            if "color" in str(prop.get("k")) and parts[-1] == "255":
                found.add("#" + "".join(f"{int(part):02x}" for part in parts[:3]))
    return found


def test_the_colours_are_those_of_the_report(demo: Path, estuary_page: str) -> None:
    """They stand in one place: no template and no style has numbers of its own for them."""
    used = hexes(demo)
    assert used <= set(LIGHT.values())
    for name in ("main", "alternate", "common", "near", "hazard", "ink", "paper", "broken"):
        assert LIGHT[name] in used, name
    assert style_sheet() in estuary_page
    assert "--main: #0072b2;" in style_sheet()
    for template in TEMPLATES.glob("*.css"):
        own = set(re.findall(r"(?<![\w-])--([a-z-]+): *#", template.read_text("utf-8")))
        assert not own & {*LIGHT, *DARK, *PRINT}, template.name


def without_colour(rule: Rule) -> object:
    """What is left of a rule in grey: whether a fill is that of the paper still shows."""

    def hollow(colour: str | None) -> bool:
        return colour in (None, "paper")

    return (
        [(hollow(one.colour), one.width, one.dash) for one in rule.strokes],
        [(one.shape, one.size, hollow(one.fill), one.width) for one in rule.marks],
        rule.hatch is None,
    )


@pytest.mark.parametrize("layer", FOUND)
def test_colour_is_never_the_only_sign(layer: str) -> None:
    looks = [without_colour(rule) for rule in FOUND[layer]]
    assert not [one for number, one in enumerate(looks) if one in looks[:number]]


def test_a_main_path_is_broad_and_solid_and_an_alternate_dashed(demo: Path) -> None:
    sld, qml = styles(demo)["found_paths"]
    pens = {}
    for rule in sld.iter(f"{SLD}Rule"):
        for pen in rule.iter(f"{SLD}Stroke"):
            said = {str(css.get("name")): css.text for css in pen}
            pens[(rule.findtext(f"{SLD}Title"), said["stroke"])] = said
    main = pens[("main path, apart", LIGHT["main"])]
    other = pens[("alternate path, apart", LIGHT["alternate"])]
    assert (main["stroke-width"], main.get("stroke-dasharray")) == ("6", None)
    assert (other["stroke-width"], other["stroke-dasharray"]) == ("3", "10 5")
    (symbol,) = (
        one.get("symbol") for one in qml.iter("rule") if one.get("label") == "main path, apart"
    )
    (drawn,) = (one for one in qml.iter("symbol") if one.get("name") == symbol)
    widths = [prop.get("v") for prop in drawn.iter("prop") if prop.get("k") == "line_width"]
    assert widths == ["2.52", "1.68"], "9 and 6 pixels of 0.28 mm"


# --- Form

CONTENT = {
    "StyledLayerDescriptor": "NamedLayer",
    "NamedLayer": "Name UserStyle",
    "UserStyle": "Name( FeatureTypeStyle)+",
    "FeatureTypeStyle": "Rule( Rule)*",
    "Rule": "Name Title( Filter)?( (Line|Polygon|Point|Text)Symbolizer)+",
    "LineSymbolizer": "Stroke",
    "PolygonSymbolizer": "Fill",
    "PointSymbolizer": "Graphic",
    "TextSymbolizer": "Label Font LabelPlacement Fill",
    "LabelPlacement": "PointPlacement",
    "PointPlacement": "AnchorPoint",
    "AnchorPoint": "AnchorPointX AnchorPointY",
    "Font": "CssParameter( CssParameter)*",
    "Stroke": "CssParameter( CssParameter)*",
    "Fill": "GraphicFill|CssParameter",
    "GraphicFill": "Graphic",
    "Graphic": "Mark Size( Rotation)?",
    "Mark": "WellKnownName( Fill)?( Stroke)?",
    "Filter": "Not|And|Or|PropertyIs[A-Za-z]+",
    "Not": "Not|And|Or|PropertyIs[A-Za-z]+",
    "And": r"\w+( \w+)+",
    "Or": r"\w+( \w+)+",
    "PropertyIsEqualTo": "PropertyName Literal",
    "PropertyIsGreaterThan": "PropertyName Literal",
    "PropertyIsNull": "PropertyName",
}
"""Children of each element in order, as the schemas of OGC 02-070 and 02-059 allow them."""
_WELL_KNOWN = {"square", "circle", "triangle", "star", "cross", "x"}


def local(element: ET.Element) -> str:
    return element.tag.partition("}")[2]


def all_styles() -> list[tuple[str, tuple[int, ...]]]:
    kinds = [(POINTS,), (LINES,), (AREAS,), (POINTS, AREAS), (LINES, AREAS), ()]
    return [(layer, kind) for layer in FOUND for kind in kinds]


@pytest.mark.parametrize(("layer", "dimensions"), all_styles())
def test_the_form_is_that_of_the_standard(layer: str, dimensions: tuple[int, ...]) -> None:
    made = ET.fromstring(style_of(layer, FOUND[layer], dimensions).sld)
    assert made.tag == f"{SLD}StyledLayerDescriptor"
    assert made.get("version") == "1.0.0"
    for element in made.iter():
        children = " ".join(local(child) for child in element)
        if local(element) in CONTENT:
            assert re.fullmatch(CONTENT[local(element)], children), (local(element), children)
        else:
            assert not children, local(element)
            assert element.text or local(element) == "Literal", local(element)
    assert {one.text for one in made.iter(f"{SLD}WellKnownName")} <= _WELL_KNOWN


@pytest.mark.parametrize(("layer", "dimensions"), all_styles())
def test_each_rule_of_the_other_form_names_its_symbol(
    layer: str, dimensions: tuple[int, ...]
) -> None:
    made = ET.fromstring(style_of(layer, FOUND[layer], dimensions).qml)
    symbols = made.findall("renderer-v2/symbols/symbol")
    rules = list(made.iter("rule"))
    assert [rule.get("symbol") for rule in rules] == [one.get("name") for one in symbols]
    assert len({rule.get("key") for rule in rules}) == len(rules)
    shown = {"marker": "Point", "line": "Line", "fill": "Polygon"}
    for rule, symbol in zip(rules, symbols, strict=True):
        assert len(symbol)
        if len(dimensions) != 1:
            kind = shown[str(symbol.get("type"))]
            assert f"geometry_type($geometry) = '{kind}'" in str(rule.get("filter"))


def test_areas_alone_are_hatched_in_both_forms() -> None:
    style = style_of("found_hazards", FOUND["found_hazards"], (AREAS,))
    sld, qml = ET.fromstring(style.sld), ET.fromstring(style.qml)
    assert len(list(sld.iter(f"{SLD}GraphicFill"))) == 2
    assert [one.get("class") for one in qml.iter("layer")].count("LinePatternFill") == 2


def test_text_in_a_rule_is_escaped() -> None:
    name = "a<b>&\"'"
    rule = Rule(name, (), (Stroke("ink", 1.0),), (Mark("circle", 4, "paper"),))
    style = style_of(name, (rule,), (LINES,))
    assert ET.fromstring(style.sld).findtext(f"{SLD}NamedLayer/{SLD}Name") == name
    assert ET.fromstring(style.qml).find("renderer-v2/rules/rule").get("label") == name  # type: ignore[union-attr]


# --- Names for people


def test_layers_and_fields_have_names_for_people(demo: Path) -> None:
    """In the standard's own places: the table of contents, and the extension Schema."""
    layers = asked(demo, "SELECT table_name, identifier, description FROM gpkg_contents")
    told = {str(name): (str(title), str(says)) for name, title, says in layers}
    for name, layer in LAYERS.items():
        assert told[name] == (layer.title, f"{layer.says[0].upper()}{layer.says[1:]}.")
    assert told["segments"][0] == "Records: segments"
    assert len({title for title, _ in told.values()}) == len(told)
    names = asked(demo, "SELECT table_name, column_name, name, description FROM gpkg_data_columns")
    aliases = {(table, column): (name, says) for table, column, name, says in names}
    for name, layer in LAYERS.items():
        for field, says in layer.fields.items():
            assert aliases[(name, field)][1] == says
            assert "_" not in str(aliases[(name, field)][0])
    assert aliases[("found_near", "distance_m")][0] == "distance (m)"
    assert aliases[("links", "tx_min_dbm")][0] == "tx min (dBm)"
    real = {
        (table, column)
        for (table,) in asked(demo, "SELECT table_name FROM gpkg_contents")
        for _, column, *_ in asked(demo, f'PRAGMA table_info("{table}")')
    }
    assert set(aliases) <= real
    extensions = asked(
        demo,
        "SELECT table_name, extension_name FROM gpkg_extensions WHERE definition LIKE '%schema'",
    )
    assert sorted(extensions) == [
        ("gpkg_data_column_constraints", "gpkg_schema"),
        ("gpkg_data_columns", "gpkg_schema"),
    ]


def test_a_column_that_took_the_name_of_a_field_is_not_named_for_it(tmp_path: Path) -> None:
    """`KIND` of the source stands before `kind`, which becomes `kind_2`: neither gets its name."""
    study = wa.read_study(write_small_study(tmp_path / "study"))
    table = study.tables["sites"]
    table.insert(0, "KIND", "x")
    wa.export(study, tmp_path / "ring.gpkg")
    names = asked(
        tmp_path / "ring.gpkg",
        "SELECT column_name FROM gpkg_data_columns WHERE table_name = 'sites'",
    )
    columns = asked(tmp_path / "ring.gpkg", "PRAGMA table_info(sites)")
    assert {"KIND", "kind_2"} <= {name for _, name, *_ in columns}
    assert "id" in {name for (name,) in names}
    assert not {"KIND", "kind", "kind_2"} & {name for (name,) in names}


# --- The file as a whole


def test_two_exports_of_one_proof_are_the_same_bytes(tmp_path: Path) -> None:
    proof = wa.prove(two_ways().read(tmp_path / "study"))
    for name in ("first", "second"):
        wa.export(proof, tmp_path / f"{name}.gpkg")
    first, second = ((tmp_path / f"{name}.gpkg").read_bytes() for name in ("first", "second"))
    assert first == second
    times = asked(
        tmp_path / "first.gpkg",
        "SELECT last_change FROM gpkg_contents UNION SELECT update_time FROM layer_styles",
    )
    assert times == [(proof.made.strftime("%Y-%m-%dT%H:%M:%S.000Z"),)]


def test_a_style_that_somebody_changed_is_not_overwritten(tmp_path: Path) -> None:
    proof = wa.prove(two_ways().read(tmp_path / "study"))
    path = tmp_path / "ring.gpkg"
    wa.export(proof, path)
    assert written_by_us(OutputFile(path, "gpkg"))
    wa.export(replace(proof), path)
    with closing(sqlite3.connect(path)) as base, base:
        base.execute("UPDATE layer_styles SET styleQML = 'mine' WHERE f_table_name = 'found_near'")
    before = path.read_bytes()
    assert not written_by_us(OutputFile(path, "gpkg"))
    with pytest.raises(wa.CallError, match=r"ring\.gpkg"):
        wa.export(proof, path)
    assert path.read_bytes() == before
    wa.export(proof, path, force=True)
    assert written_by_us(OutputFile(path, "gpkg"))


def test_a_style_that_somebody_added_is_not_overwritten(tmp_path: Path) -> None:
    proof = wa.prove(two_ways().read(tmp_path / "study"))
    path = tmp_path / "ring.gpkg"
    wa.export(proof, path)
    with closing(sqlite3.connect(path)) as base, base:
        base.execute(
            "INSERT INTO layer_styles (f_table_name, styleQML, owner) VALUES ('sites', 'x', 'me')"
        )
    with pytest.raises(wa.CallError, match=r"ring\.gpkg"):
        wa.export(proof, path)


def test_no_space_for_the_styles_leaves_what_was_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    proof = wa.prove(two_ways().read(tmp_path / "study"))
    path = tmp_path / "ring.gpkg"
    wa.export(proof, path)
    before = path.read_bytes()

    def full(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr("waysapart.export.geopackage._describe", full)
    with pytest.raises(wa.WriteError, match=r"ring\.gpkg .* styles of the layers"):
        wa.export(proof, path)
    assert path.read_bytes() == before
