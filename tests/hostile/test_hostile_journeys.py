"""What people do on the way: several folders at once, files that a spreadsheet saved, half a copy, an old locale."""

import json
import logging

import numpy as np
import pytest
from catalogue_audit.commands import command_parser
from catalogue_audit.delivery.products import misread_columns, parse_products
from catalogue_audit.errors import UsageError
from catalogue_audit.findings.decisions import read_decisions
from catalogue_audit.metadata.container import read_container
from catalogue_audit.pixels.decode import decode
from catalogue_audit.runs.places import output_folder
from catalogue_audit.runs.review import review
from catalogue_audit.runs.scheduled import scheduled
from catalogue_audit.runs.season import season

from making_files import with_segment

from hostile import pictures as p
from hostile.command import environment, run

DEEP = p.bag().astype(np.uint16) * 257
OPAQUE = np.full_like(DEEP[..., :1], 65535)
PROFILE = p.srgb_profile()


def codes(data):
    return decode(data, read_container(data)).encoded


# -- pictures ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "chunks",
    [
        [(2, 2, PROFILE[200:])],
        [(1, 2, PROFILE[:200]), (1, 2, PROFILE[:200]), (2, 2, PROFILE[200:])],
        [(1, 2, PROFILE[:200]), (2, 3, PROFILE[200:])],
        [(0, 0, PROFILE)],
        [(1, 1, b"")],
    ],
    ids=["missing", "twice", "totals", "number zero", "empty"],
)
def test_a_profile_whose_chunks_do_not_fit_together_costs_the_profile_and_not_the_picture(chunks):
    whole = p.jpeg()
    data = whole
    for number, total, part in reversed(chunks):  # ICC.1:2010, Annex B.4: number and total of a chunk, from 1
        data = with_segment(data, 0xE2, b"ICC_PROFILE\0" + bytes([number, total]) + part)
    assert "profile is damaged" in " ".join(read_container(data)["reasons"])
    assert np.array_equal(codes(data), codes(whole))


@pytest.mark.parametrize("extra", [(0,), ()], ids=["unspecified", "unsaid"])
@pytest.mark.parametrize(("samples", "photometric"), [(DEEP, 2), (DEEP[..., :1], 1)], ids=["colour", "grey"])
def test_a_channel_that_is_no_transparency_hides_nothing(samples, photometric, extra):
    """A selection kept in a retouching program is such a channel (TIFF 6.0, section 18: ExtraSamples 0)."""
    with_selection = p.tiff_of(np.dstack([samples, np.zeros_like(OPAQUE)]), photometric, extra=extra)
    assert np.array_equal(codes(with_selection), codes(p.tiff_of(samples, photometric)))


def test_colours_multiplied_by_their_transparency_are_not_multiplied_again():
    """TIFF 6.0, section 18: ExtraSamples 1 says so, 2 that they are as they were."""
    cover = OPAQUE.copy()
    cover[: len(cover) // 3] = 20000
    multiplied = (DEEP.astype(np.uint64) * cover // 65535).astype(np.uint16)
    plain = codes(p.tiff_of(np.dstack([DEEP, cover]), extra=(2,)))
    assert np.abs(codes(p.tiff_of(np.dstack([multiplied, cover]), extra=(1,))).astype(int) - plain).max() <= 2  # rounded twice to 8 bits
    assert np.abs(codes(p.tiff_of(DEEP)).astype(int) - plain).max() > 20


# -- the command line ----------------------------------------------------------------------------


def test_names_of_files_are_read_as_utf8_in_any_locale(tmp_path):
    env = environment(tmp_path, LANG="POSIX", LC_ALL="POSIX", PYTHONUTF8="0")
    status, _, errors = run("review", "Lieferung \u00e4", cwd=tmp_path, env=env)
    assert status == 2 and "There is no folder 'Lieferung \u00e4'" in errors


@pytest.mark.parametrize(("option", "value"), [("--jobs", "many"), ("--jobs", "2.5"), ("--quiet-minutes", "soon"), ("--attempts", "-1")])
def test_an_option_that_is_no_number_says_what_is_allowed(option, value, capsys):
    with pytest.raises(SystemExit):
        command_parser().parse_args(["scheduled", "inbox", f"{option}={value}"])
    told = capsys.readouterr().err
    assert f"must be {'0 to' if 'minutes' in option else 'a whole number, 1 or more'}" in told and repr(value) in told and "_" not in told.splitlines()[-1]


def test_an_output_folder_without_a_name_is_refused():
    with pytest.raises(UsageError, match="--out is empty"):
        output_folder("", None)


def test_the_delivery_is_not_its_own_originals(tmp_path):
    (tmp_path / "A_front.jpg").write_bytes(p.jpeg())
    with pytest.raises(UsageError, match="is the delivery itself"):
        review(tmp_path, out=tmp_path.with_name("out"), originals=tmp_path / ".")


# -- several deliveries --------------------------------------------------------------------------


def test_what_holds_no_picture_among_the_deliveries_of_a_season_costs_no_other(tmp_path):
    """``season deliveries/*`` names empty folders and stray files too; what lay beside the pictures is told in the report."""
    good, empty, broken = (tmp_path / "deliveries" / name for name in ("good", "empty", "broken"))
    for folder in (good, empty, broken):
        folder.mkdir(parents=True)
    for folder in (good, broken):
        (folder / "A_front.nef").write_bytes(b"MM")  # named by its kind, so no process measures it
    (broken / "products.csv").write_text("article\nA\n")
    (good / "products.csv").write_text("sku,widht_cm\nA,30\n")
    for name in ("rest.zip", "A_back.jpg.part", ".A_side.jpg.Xy12Zz", "notes.txt", ".DS_Store"):
        (good / name).write_bytes(b"PK")
    (tmp_path / "deliveries" / "list.xlsx").write_bytes(b"PK")
    found = season(sorted((tmp_path / "deliveries").iterdir()), out=tmp_path / "out", jobs=1, tables_only=True)
    assert found.summary["files"] == 1
    assert [next(word for word in ("broken", "empty", "list.xlsx") if word in line or "'sku'" in line) for line in found.left_out] == ["list.xlsx", "broken", "empty"]
    (report,) = (tmp_path / "out").glob("*_good")
    notes = " ".join(json.loads((report / "tables" / "more.json").read_text())["notes"])
    for words in ("1 archive (rest.zip)", "2 pictures (A_back.jpg.part, .A_side.jpg.Xy12Zz) whose copying did not end", "1 file (notes.txt)", "'widht_cm' is not used: is 'width_cm' meant?"):
        assert words in notes
    with pytest.raises(UsageError, match="is empty"):
        season([empty], out=tmp_path / "out", jobs=1, tables_only=True)


def test_whoever_puts_pictures_beside_the_deliveries_is_told(tmp_path, caplog):
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    (inbox / "A_front.jpg").write_bytes(p.jpeg())
    (inbox / "notes.txt").write_text("x")
    (inbox / "linked").symlink_to(tmp_path)
    with caplog.at_level(logging.INFO, "catalogue_audit.scheduled"):
        assert scheduled(inbox, out=tmp_path / "out") == []
    assert "not audited: A_front.jpg." in caplog.text and "linked: a link to a folder" in caplog.text and "notes.txt" not in caplog.text
    with pytest.raises(UsageError, match="lies inside the inbox"):
        scheduled(inbox, out=inbox / "out")


# -- tables that a spreadsheet saved -------------------------------------------------------------


def test_a_column_that_is_nearly_one_that_is_read_is_asked_about():
    def columns(header):
        return misread_columns(parse_products(f"{header}\n{'A,3,3'[: 2 * header.count(',') + 1]}\n".encode()))

    assert "is 'height_cm' meant?" in "".join(columns("sku,height"))
    assert columns("sku,supplier,season") == columns("sku,width_cm,width") == misread_columns(None) == ()


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("sign", [",", ";", "\t"], ids=["comma", "semicolon", "tab"])
def test_decisions_are_read_in_every_usual_dress(tmp_path, sign, encoding):
    path = tmp_path / "decisions.csv"
    for start in ("", f"sep={sign}\n"):
        path.write_bytes((start + f"check{sign}why{sign}by\nroll{sign}so gew\u00fcnscht{sign}me\n").encode(encoding))
        (decision,) = read_decisions(path)
        assert (decision.check, decision.why, decision.by) == ("roll", "so gew\u00fcnscht", "me")


def test_decisions_without_the_headings_that_each_needs_are_refused(tmp_path):
    (tmp_path / "decisions.csv").write_text("check,why\n")
    with pytest.raises(UsageError, match="lacks the heading 'by'"):
        read_decisions(tmp_path / "decisions.csv")
