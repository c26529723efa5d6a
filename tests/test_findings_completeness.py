"""Required views, conditional ones, counts, due dates, and the products file both ways."""

import pandas as pd
import pytest

from catalogue_audit.delivery.brief import load_brief, parse_brief
from catalogue_audit.delivery.names import NameFacts
from catalogue_audit.findings.completeness import missing_view, views_of_products
from catalogue_audit.findings.judge import find
from catalogue_audit.findings.surplus import surplus_views
from catalogue_audit.findings.verdict import delivery_verdict, product_table
from catalogue_audit.statistics.tables import table_from_rows
from making_evidence import clean_frames, evidence_of


@pytest.fixture(scope="module")
def frames():
    return clean_frames(products=8, seed=4)


def without(frames, *files):
    return frames[~frames["file"].isin(files)].reset_index(drop=True)


def products(frames, **columns):
    skus = frames.dropna(subset=["sku"]).drop_duplicates("sku")
    return pd.DataFrame({"sku": skus["sku"], "style": skus["style"], **columns}).reset_index(drop=True)


def judged(frames, brief=None, **given):
    return find(evidence_of(frames, brief or load_brief(), **given))[0]


def test_a_missing_required_view_is_critical_and_has_no_file(frames):
    findings = judged(without(frames, "NB-103_back.jpg"))
    assert list(findings["check"]) == ["missing_view"]
    row = findings.iloc[0]
    assert pd.isna(row["file"])
    assert (row["sku"], row["view"], row["severity"], row["remedy"]) == ("NB-103", "back", "critical", "supply")


def test_a_view_that_nearly_every_product_lacks_is_one_finding(frames):
    findings = judged(frames[frames["view"] != "detail"].reset_index(drop=True))
    assert list(findings["check"]) == ["missing_view"]
    assert pd.isna(findings.iloc[0]["sku"]) and findings.iloc[0]["view"] == "detail"


@pytest.mark.parametrize("sku", ["NB-999", "nb-103"])
def test_a_product_of_the_products_file_without_any_picture_is_one_finding(frames, sku):
    listed = products(frames)
    listed.loc[len(listed)] = [sku, "tote"]
    findings = judged(frames, products=listed)
    assert list(findings["check"]) == ["missing_view"]
    assert findings.iloc[0]["sku"] == sku and pd.isna(findings.iloc[0]["view"])


def test_skus_that_differ_by_case_only_are_two_products_where_the_products_file_has_both(frames):
    other = frames[frames["sku"] == "NB-103"].assign(sku="nb-103", file=lambda rows: rows["file"].str.lower())
    both = pd.concat([frames, other]).sort_values("file").reset_index(drop=True)
    names = [NameFacts(file, sku=sku, view=view) for file, sku, view in both[["file", "sku", "view"]].itertuples(index=False)]
    one = products(frames)
    assert "2 files claim to be the back of nb-103" in " ".join(row["note"] for row in surplus_views(evidence_of(both, load_brief(), names=names, products=one)))
    listed = pd.concat([one, one[one["sku"] == "NB-103"].assign(sku="nb-103")], ignore_index=True)
    assert not list(surplus_views(evidence_of(both, load_brief(), names=names, products=listed)))


@pytest.mark.parametrize(("few", "day"), [("2099-01-01T00:00:00", None), ("1970-01-01T00:00:00", None), ("2026-12-24T10:00:00", "2026-12-24")])
def test_a_clock_set_years_ahead_in_a_few_files_makes_nothing_overdue(frames, few, day):
    usual = evidence_of(frames, load_brief()).judged_on
    assert usual.startswith("2026")
    odd = frames.assign(captured_at=frames["captured_at"].where(frames.index > 1, few))
    assert evidence_of(odd, load_brief()).judged_on == (day or usual)


def two_details(frames, count=6):
    """Products with the details 1 and 2 each."""
    one = frames[frames["sku"] == "NB-103"]
    second = one[one["view"] == "detail"].assign(file="NB-103_detail2.jpg", position=2)
    one = pd.concat([one.assign(position=one["position"].where(one["view"] != "detail", 1)), second])
    return pd.concat(
        [
            one.assign(
                sku=sku,
                file=one["file"].str.replace("NB-103", sku),
                sha256=[f"{place:062x}{number:02x}" for number in range(len(one))],
                phash=None,
            )
            for place, sku in enumerate(f"NB-{number}" for number in range(200, 200 + count))
        ],
        ignore_index=True,
    )


def test_a_number_that_a_product_skips_is_a_missing_picture(frames):
    whole = two_details(frames)
    evidence = evidence_of(without(whole, "NB-203_detail.jpg"), load_brief())
    (found,) = missing_view(evidence)
    assert (found["sku"], found["view"], found["severity"]) == ("NB-203", "detail", "major")
    assert "detail 1 of NB-203 is missing, though there is a detail 2" in found["note"]


def test_a_second_detail_without_a_first_is_a_gap_where_the_others_have_an_unnumbered_one(frames):
    whole = two_details(frames)
    whole["position"] = whole["position"].mask(whole["position"] == 1)
    seconds = whole["file"].str.endswith("_detail2.jpg") & (whole["sku"] != "NB-203")
    one_of_two = whole[~seconds].reset_index(drop=True)
    assert list(missing_view(evidence_of(one_of_two, load_brief()))) == []
    (found,) = missing_view(evidence_of(without(one_of_two, "NB-203_detail.jpg"), load_brief()))
    assert (found["sku"], found["view"]) == ("NB-203", "detail")


def test_fewer_details_are_no_gap_nor_is_a_number_that_many_skip(frames):
    whole = two_details(frames)
    assert list(missing_view(evidence_of(whole, load_brief()))) == []
    assert list(missing_view(evidence_of(without(whole, "NB-203_detail2.jpg"), load_brief()))) == []
    many = without(without(without(whole, "NB-203_detail.jpg"), "NB-204_detail.jpg"), "NB-205_detail.jpg")
    assert list(missing_view(evidence_of(many, load_brief()))) == []


def test_pictures_that_are_not_due_yet_are_awaited_and_not_missing(frames):
    short = without(frames, "NB-103_back.jpg")
    listed = products(frames, due="2026-03-02")
    listed.loc[listed["sku"] == "NB-103", "due"] = "2026-04-01"
    evidence = evidence_of(short, load_brief(), products=listed)
    findings, _ = find(evidence)
    assert findings.empty
    row = product_table(evidence, findings).set_index("sku").loc["NB-103"]
    assert row["views_awaited"] == "back" and row["due"] == "2026-04-01"
    later = evidence_of(short, load_brief(), products=listed, as_of="2026-04-02")
    assert list(find(later)[0]["check"]) == ["missing_view"]


def test_without_dates_in_brief_or_pictures_nothing_is_awaited(frames):
    undated = without(frames, "NB-103_back.jpg").assign(captured_at=pd.Series(None, dtype="str"))
    listed = products(frames, due="2099-01-01")
    assert list(judged(undated, products=listed)["check"]) == ["missing_view"]


def test_a_product_that_the_products_file_does_not_list_is_unexpected_with_the_nearest_name(frames):
    listed = products(frames)
    listed.loc[listed["sku"] == "NB-103", "sku"] = "NB-1O3"
    findings = judged(frames, products=listed)
    strangers = findings[findings["check"] == "unexpected_file"]
    assert set(strangers["file"]) == set(frames.loc[frames["sku"] == "NB-103", "file"])
    assert strangers["note"].str.contains("NB-1O3").all()
    assert (findings["sku"] == "NB-1O3").sum() == 1


@pytest.mark.parametrize("listed", [True, False])
@pytest.mark.parametrize("slip", ["NB-l03", "NB-1O3", "NB-013", "NB-03"])
def test_a_picture_under_a_misspelt_number_is_asked_for_once(frames, listed, slip):
    """One letter for a digit, two exchanged, one left out: not three more pictures of a product that does not exist."""
    typed = frames.copy()
    wrong = typed["file"] == "NB-103_back.jpg"
    typed.loc[wrong, ["file", "sku"]] = [f"{slip}_back.jpg", slip]
    found = judged(typed, products=products(frames) if listed else None)
    assert sorted(found["check"]) == ["missing_view", "unexpected_file"]
    absent, file = (found[found["check"] == check].iloc[0] for check in ("missing_view", "unexpected_file"))
    assert (absent["sku"], absent["view"]) == ("NB-103", "back") and f"{slip}_back.jpg" in absent["note"]
    assert file["file"] == f"{slip}_back.jpg" and "NB-103" in file["note"]


def test_a_stranger_that_no_listed_product_lacks_is_asked_for_in_full(frames):
    stranger = frames[frames["file"] == "NB-103_back.jpg"].assign(file="NB-1O3_back.jpg", sku="NB-1O3")
    found = judged(pd.concat([frames, stranger], ignore_index=True), products=products(frames))
    assert sorted(found["check"]) == ["missing_view"] * 3 + ["unexpected_file"]


def test_a_products_file_of_another_season_is_one_finding_about_the_strangers(frames):
    findings = judged(frames, products=pd.DataFrame({"sku": ["ZZ-1"], "style": ["tote"]}))
    strangers = findings[findings["check"] == "unexpected_file"]
    assert len(strangers) == 1 and pd.isna(strangers.iloc[0]["file"])


def test_products_are_matched_without_regard_to_case(frames):
    listed = products(frames)
    listed["sku"] = listed["sku"].str.lower()
    assert judged(frames, products=listed).empty


def test_a_style_may_require_other_views(frames):
    brief = parse_brief('[views.per_style.clutch]\nrequired = ["front", "back", "detail"]\n')
    clutch = frames.loc[(frames["style"] == "clutch") & (frames["view"] == "three_quarter"), "file"]
    assert judged(without(frames, *clutch), brief).empty


def test_a_patterned_lining_requires_an_interior(frames):
    brief = parse_brief(
        '[[views.conditional]]\nname = "patterned lining"\ncolumn = "lining"\nvalues = ["patterned"]\nrequired = ["interior"]\n'
    )
    listed = products(frames, lining="plain")
    listed.loc[listed["sku"] == "NB-102", "lining"] = "patterned"
    findings = judged(frames, brief, products=listed)
    assert list(zip(findings["sku"], findings["view"], strict=True)) == [("NB-102", "interior")]


def test_a_removable_strap_needs_one_picture_with_it_and_one_without(frames):
    brief = parse_brief(
        '[[views.conditional]]\nname = "removable strap"\nskus = ["NB-102"]\nwith_strap = ["front"]\nwithout_strap = ["front"]\n'
        "[views.counts]\nfront = [1, 2]\ndetail = [1, 6]\n"
    )
    findings = judged(frames, brief)
    assert list(zip(findings["sku"], findings["view"], strict=True)) == [("NB-102", "front")]
    second = frames[frames["file"] == "NB-102_front.jpg"].assign(file="NB-102_front_2.jpg", sha256="x", strap_state="none")
    both = pd.concat([frames, second]).sort_values("file", ignore_index=True)
    assert "missing_view" not in set(judged(both, brief)["check"])


def test_more_pictures_of_a_view_than_wanted_are_one_minor_finding(frames):
    more = [
        frames[frames["file"] == "NB-102_detail.jpg"].assign(file=f"NB-102_detail_{number}.jpg", sha256=str(number))
        for number in range(2, 9)
    ]
    many = pd.concat([frames, *more]).sort_values("file", ignore_index=True)
    findings = judged(many)
    assert list(findings["check"]) == ["unexpected_file"]
    assert (findings.iloc[0]["severity"], findings.iloc[0]["value"], findings.iloc[0]["expected"]) == ("minor", 8, 6)


@pytest.mark.parametrize(("kind", "claims"), [("rendition", 0), ("round", 1)])
def test_one_picture_in_two_size_folders_claims_one_place_by_right(frames, kind, claims):
    web = frames[frames["sku"] == "NB-102"].assign(file=lambda rows: "web/" + rows["file"], sha256="w")
    both = pd.concat([frames, web]).sort_values("file", ignore_index=True)
    pairs = pd.DataFrame({"file_a": web["file"].str.removeprefix("web/"), "file_b": web["file"], "kind": kind, "note": ""}).reset_index(drop=True)
    names = tuple(NameFacts(file, sku, view) for file, sku, view in zip(both["file"], both["sku"], both["view"], strict=True))
    found = judged(both, pairs=pairs, names=names)
    assert found["check"].eq("unexpected_file").sum() == claims * len(web)


def test_two_files_that_claim_one_place_are_named_together(frames):
    copy = frames[frames["file"] == "NB-102_front.jpg"].assign(file="nb-102-front.jpg", sha256="x")
    both = pd.concat([frames, copy]).sort_values("file", ignore_index=True)
    names = tuple(NameFacts(file, sku, view) for file, sku, view in zip(both["file"], both["sku"], both["view"], strict=True))
    findings = judged(both, names=names)
    assert list(findings["check"]) == ["unexpected_file"]
    assert all(file in findings.iloc[0]["note"] for file in ("NB-102_front.jpg", "nb-102-front.jpg"))


@pytest.mark.parametrize("numbered", [False, True])
def test_one_photograph_framed_twice_for_one_view_is_said_once(frames, numbered):
    further = frames[frames["file"] == "NB-102_front.jpg"].assign(file="NB-102_front_b.jpg", sha256="x")
    both = pd.concat([frames, further]).sort_values("file", ignore_index=True)
    pairs = pd.DataFrame({"file_a": ["NB-102_front.jpg"], "file_b": ["NB-102_front_b.jpg"], "kind": "cropped_round", "note": ""})
    names = [NameFacts(file, sku, view) for file, sku, view in zip(both["file"], both["sku"], both["view"], strict=True)]
    names = [name if numbered or name.file != "NB-102_front_b.jpg" else name._replace(extra="b") for name in names]
    found = judged(both, pairs=pairs, names=tuple(names))
    assert list(zip(found["check"], found["file"], found["severity"], strict=True)) == [("unexpected_file", "NB-102_front_b.jpg", "minor")]
    assert ("framed differently" in found.iloc[0]["note"]) is not numbered  # else both claim the place, and that says it


def test_check_digits_are_verified_where_the_brief_says_so(frames):
    # GTINs: GS1, "How to calculate a check digit manually" (629104150021 -> 3); the second has two digits exchanged.
    listed = products(frames, gtin="6291041500213")
    listed.loc[listed["sku"] == "NB-101", "gtin"] = "6291041500231"
    assert judged(frames, products=listed).empty
    findings = judged(frames, parse_brief('[names]\ncheck_digit = "gtin"\n'), products=listed)
    assert list(zip(findings["check"], findings["sku"], strict=True)) == [("unexpected_file", "NB-101")]


def test_after_the_sample_has_left_a_reshoot_becomes_a_retouch_or_a_check(frames):
    listed = products(frames, sample_until="2026-02-01")
    blurred = frames.copy()
    blurred.loc[blurred["file"] == "NB-102_front.jpg", "blur_px"] = 2.0
    blurred.loc[blurred["file"] == "NB-103_front.jpg", "strap_state"] = "none"
    findings = judged(blurred, products=listed).set_index("check")
    assert findings.loc["focus", "remedy"] == "check" and "2026-02-01" in findings.loc["focus", "note"]
    assert findings.loc["strap", "remedy"] == "retouch"


def test_an_unreadable_file_is_not_also_a_missing_view(frames):
    broken = frames.copy()
    broken.loc[broken["file"] == "NB-102_front.jpg", ["status", "reason"]] = ["not_measured", "it is cut short"]
    assert list(judged(broken)["check"]) == ["unreadable_file"]


def test_colour_targets_are_no_product(frames):
    target = table_from_rows(
        "frames", [{"file": "target.jpg", "view": "target", "view_kind": "target", "status": "measured"}]
    )
    with_target = pd.concat([frames, target]).sort_values("file", ignore_index=True)
    evidence = evidence_of(with_target, load_brief())
    assert find(evidence)[0].empty
    assert len(views_of_products(evidence)) == 8


def test_rights_are_asked_for_where_the_brief_requires_them(frames):
    stated = frames.assign(rights_present=True)
    stated.loc[2, "rights_present"] = False
    wanted = parse_brief('[metadata]\nrequired = ["rights"]\n')
    assert judged(stated).empty
    findings = judged(stated, wanted)
    assert list(findings["check"]) == ["metadata"] and findings.iloc[0]["file"] == frames["file"][2]
    assert (findings.iloc[0]["severity"], findings.iloc[0]["remedy"]) == ("major", "re-export")
    assert len(judged(frames.assign(rights_present=None), wanted)) == 1  # of all files: one finding about the delivery


def test_products_too_many_to_name_are_one_finding_that_leaves_out_those_not_due_yet(frames):
    undelivered = pd.DataFrame({"sku": [f"ZZ-{n}" for n in range(9)], "due": ["2099-01-01", *[""] * 8]})
    evidence = evidence_of(frames, load_brief(), products=products(frames), undelivered=undelivered)
    findings, _ = find(evidence)
    assert list(findings["check"]) == ["missing_view"]
    row = findings.iloc[0]
    assert row["value"] == 8 and row["severity"] == "critical" and "ZZ-1, ZZ-2" not in row["note"] and "ZZ-1" in row["note"]
    verdict = delivery_verdict(evidence, findings, product_table(evidence, findings))
    assert verdict["verdict"] == "return" and verdict["products_left_out"] == 9 and verdict["products"] == 8
    assert verdict["reasons"] == ["most products of the products file were not delivered"]
