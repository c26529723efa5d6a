"""
The campaign of damaged input against every parser of our own: what comes out is a result that keeps its promise, or a
message in plain words. Thirty inputs a parser every day; `-m slow` tries FUZZ_EXAMPLES of them (default 3000, some minutes).
"""

import math
import os

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from making_files import heic, photograph, photographs, save, scene

from catalogue_audit import schema
from catalogue_audit.delivery.brief import brief_text, load_brief, parse_brief
from catalogue_audit.delivery.names import read_names
from catalogue_audit.delivery.products import parse_products
from catalogue_audit.errors import UnreadablePicture, UsageError
from catalogue_audit.findings.decisions import read_decisions
from catalogue_audit.metadata.container import read_container
from catalogue_audit.metadata.exif import read_exif
from catalogue_audit.metadata.quality import CHROMINANCE, LUMINANCE, ijg_quality, ijg_table
from catalogue_audit.metadata.rights import read_rights
from hostile import pictures

EXAMPLES = int(os.environ.get("FUZZ_EXAMPLES", "3000"))
COLUMNS = {column.name: column for column in schema.FRAME_COLUMNS}
KINDS = {"text": str, "integer": int, "number": (int, float), "boolean": bool}

PRODUCTS = "sku;name;width_cm;due\r\nAB-1;\"a; \"\"b\"\"\";28,5;2026-03-31\r\n007;=1+1;;\r\n1E5;NA;3 cm;\r\n"
DECISIONS = 'file,check,reason,by,until\nAB-1_front.jpg,roll,"as agreed, twice",M. Example,2027-01-31\n'


def mutated(seeds):
    """Good input with some places overwritten, cut out or put in."""
    edits = st.lists(st.tuples(st.floats(0, 1), st.integers(0, 40), st.binary(max_size=24)), max_size=6)

    def edit(seed, changes):
        for place, cut, put in changes:
            start = int(place * len(seed))
            seed = seed[:start] + put + seed[start + cut :]
        return seed

    return st.builds(edit, st.sampled_from(seeds), edits)


def picture_seeds():
    """A small file of every format, with metadata where it has any; of a photograph, what lies before the scan."""
    heads = [photograph(name)[:6000] for name in photographs()]
    return [*heads, pictures.photograph(1), heic("turned"), *(save(scene(), kind) for kind in ("JPEG", "PNG", "TIFF", "WebP"))]


def check_facts(facts):
    """Values by column of the schema: of its type, finite, without NUL."""
    for name, value in facts.items():
        if name not in COLUMNS or value is None:
            continue
        assert isinstance(value, KINDS[COLUMNS[name].type]), (name, value)
        assert not isinstance(value, float) or math.isfinite(value), (name, value)
        assert not isinstance(value, str) or "\0" not in value, (name, value)


def metadata_of(data):
    try:
        facts = read_container(data)
    except UnreadablePicture as problem:
        assert str(problem) and "Error" not in str(problem)
        return
    check_facts(facts)
    assert 1 <= facts["width_px"] and 1 <= facts["height_px"]
    for found in (read_exif(data, facts["format"], (facts["width_px"], facts["height_px"])), read_rights(data, facts["format"])):
        check_facts(found)
        assert all(isinstance(reason, str) and reason for reason in found.get("reasons", ()))


def brief_of(data):
    try:
        brief = parse_brief(data.decode("utf-8", "replace"), "my.toml")
    except UsageError as error:
        assert str(error).startswith("my.toml")
    else:
        assert brief.views.required is not None


def products_of(data):
    try:
        table = parse_products(data)
    except UsageError as error:
        assert str(error).startswith("products.csv")
    else:
        assert "" not in list(table["sku"]) and table["sku"].is_unique
        assert (table["width_cm"].isna() | table["width_cm"].gt(0)).all()


def names_of(names):
    found = read_names(names, load_brief(None), {"AB-1": "AB-1"})
    assert [facts.file for facts in found] == names
    views = load_brief(None).views.known()
    assert all(facts.view == "" or facts.view in views for facts in found)
    assert found == read_names(names[::-1], load_brief(None), {"AB-1": "AB-1"})[::-1]


def quality_of(tables):
    quality = ijg_quality(*tables)
    assert 1 <= quality <= 100
    if tables[1] is not None and quality == ijg_quality(ijg_table(LUMINANCE, quality), ijg_table(CHROMINANCE, quality)):
        own = np.sum((np.minimum(tables[0], 255) - ijg_table(LUMINANCE, quality)) ** 2)
        own += np.sum((np.minimum(tables[1], 255) - ijg_table(CHROMINANCE, quality)) ** 2)
        for other in (quality - 1, quality + 1):
            if 1 <= other <= 100:
                its = np.sum((np.minimum(tables[0], 255) - ijg_table(LUMINANCE, other)) ** 2)
                its += np.sum((np.minimum(tables[1], 255) - ijg_table(CHROMINANCE, other)) ** 2)
                assert own <= its, "a neighbouring quality is nearer"


TABLE = st.lists(st.integers(1, 65535), min_size=64, max_size=64)
NAME = mutated([b"AB-1_front.jpg", b"spring/AB-1/detail-02.jpeg", b"front/AB-1.tif", "sac \u00e0 main_dos (2).jpg".encode(), b"9501101530003_F.jpg"])
TARGETS = {
    "metadata": (st.deferred(lambda: mutated(picture_seeds())), metadata_of),
    "brief": (mutated([brief_text(stage).encode() for stage in ("originals", "finals")]), brief_of),
    "products": (mutated([PRODUCTS.encode(), PRODUCTS.encode("utf-16"), PRODUCTS.replace(";", "\t").encode("cp1252")]), products_of),
    "names": (st.lists(NAME.map(lambda raw: raw.decode("utf-8", "replace")), max_size=4, unique=True), names_of),
    "quantisation": (st.tuples(TABLE, st.none() | TABLE), quality_of),
}


@pytest.mark.parametrize("examples", [30, pytest.param(EXAMPLES, marks=pytest.mark.slow)], ids=["short", "long"])
@pytest.mark.parametrize("target", TARGETS)
def test_damaged_input_is_a_result_or_a_message(target, examples):
    strategy, body = TARGETS[target]

    def attempt(value):
        body(value)

    settings(max_examples=examples, deadline=None, database=None, suppress_health_check=list(HealthCheck))(given(strategy)(attempt))()


@pytest.mark.parametrize("examples", [30, pytest.param(EXAMPLES, marks=pytest.mark.slow)], ids=["short", "long"])
def test_a_damaged_decisions_file_is_a_list_or_a_message(tmp_path, examples):
    def attempt(data):
        path = tmp_path / "decisions.csv"
        path.write_bytes(data)
        try:
            read_decisions(path)
        except UsageError as error:
            assert "decisions.csv" in str(error)

    settings(max_examples=examples, deadline=None, database=None, suppress_health_check=list(HealthCheck))(
        given(mutated([DECISIONS.encode()]))(attempt)
    )()
