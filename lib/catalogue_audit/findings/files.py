"""The files themselves: readable, to specification, well encoded, named as agreed."""

import numpy as np
import pandas as pd

from catalogue_audit.delivery.name_numbers import BY_PICTURES
from catalogue_audit.findings import brief_terms
from catalogue_audit.findings.evidence import FEWEST_OF_A_STYLE
from catalogue_audit.findings.raw_files import raw_companions
from catalogue_audit.findings.rows import called, counted, finding, listed, number, plain, sentence, text, view_noun
from catalogue_audit.measures.surface.structure import FINEST_ENLARGED

MAJORITY = 0.6  # of the files: what fewer share is no agreement on a specification
FAR_BELOW = 15  # IJG quality points below the majority that show as blocking beside it
LAST_NUMBER = r"(?<!\d)(\d{1,3})(?: ?\(\d+\))?\.\w+$"  # AB12_04.jpg and its copy AB12_04 (2).jpg
ASPECT_TOLERANCE = 0.01  # of the aspect ratio; half a per cent is rounding, one is another crop
NEARLY_EVERY = 0.8  # of the files with a fact: then lacking it is worth a word
LESS_THAN_USUAL = 0.88  # of what the view usually resolves, where all of the delivery was enlarged alike
FINEST_EDGE = 0.3  # sigma, pixels; no camera's edge is finer, so neither is an enlarged one in pixels of the small picture
SOUND_RESOLVED = 0.15  # how much more detail the set must resolve before a file is called enlarged against it
RESOLVED_ERROR = 0.05  # below the limit: a rhythm is exact to 0.002, what edges say of a half to 0.05


def unreadable_file(evidence):
    """Files that could not be measured at all."""
    frames, along = evidence.frames, raw_companions(evidence)
    for frame in evidence.records(frames[frames["status"] == "not_measured"]):
        if frame["file"] in along:
            continue
        reason = text(frame.get("reason")) or "it could not be opened"
        mend = "" if "ask for" in reason else ": ask for this file again"
        reason = plain(reason).rstrip(".")
        note = f"the file {plain(frame['file'])} could not be read: {reason[:1].lower()}{reason[1:]}{mend}"
        yield finding("unreadable_file", sentence(note), frame)


def file_spec(evidence):
    """Files of another size, shape or format than the brief asks for, or than the majority has."""
    named = brief_terms.file_spec(evidence.brief)
    frames = evidence.measured
    strays = set() if named else _strays(evidence)
    for _, group in frames.groupby(_one_specification(frames), sort=True):
        usual = _usual_spec(group, named)
        for frame in evidence.records(group[~group["file"].isin(strays)]):
            faults = list(_spec_faults(frame, usual, named))
            if not faults:
                continue
            words = "; ".join(words for words, *_ in faults)
            _, value, expected, unit = faults[0]
            source = "the brief asks for" if named else "the other files have"
            note = f"the {called(frame)} is not as {source}: {words}: export it again"
            yield finding("file_spec", sentence(note), frame, value=value, expected=expected, unit=unit)


def _strays(evidence):
    """
    Files without a product to their name, where nearly every file has one.

    Such a file is told as unexpected: whether it belongs to the delivery at all is not known, so that it need not be as the others are.
    """
    lacking = evidence.frames["sku"].isna()
    return set(evidence.frames["file"][lacking]) if (~lacking).mean() >= NEARLY_EVERY else set()


def _one_specification(frames):
    """
    What pictures share whose files should be alike: the kind of their view, else the number that their names end with.

    Where nobody has said what the numbers mean, the fourth picture of every product is still one kind of picture.
    """
    kinds = frames["view_kind"].fillna("other")
    numbers = frames["file"].str.extract(LAST_NUMBER, expand=False).fillna("").str.lstrip("0")
    numbers = numbers.where(numbers.groupby(numbers).transform("size") >= FEWEST_OF_A_STYLE, "")
    return kinds.where(frames["view"].notna(), kinds + " " + numbers)


def _usual_spec(group, named):
    """What a group's files must be: the brief's words, else what most of them are."""
    usual = dict(named)
    if "format" not in usual:
        usual["format"] = _agreed(group["format"])
    if not {"width_px", "height_px", "long_side_min_px", "aspect"} & set(named):
        sizes = list(zip(group["width_px"], group["height_px"], strict=True))
        agreed = _agreed(pd.Series([None if pd.isna(w) or pd.isna(h) else f"{w}x{h}" for w, h in sizes], dtype="str"))
        if agreed:
            usual["width_px"], usual["height_px"] = (int(side) for side in agreed.split("x"))
        else:
            shapes = (group["width_px"].astype(float) / group["height_px"].astype(float)).round(2)
            usual["aspect_px"] = _agreed(shapes, NEARLY_EVERY)  # neither one size nor one shape: no specification
    if "bit_depth" not in usual:
        usual["bit_depth"] = _agreed(group["bit_depth"])
    return {name: value for name, value in usual.items() if value is not None}


def _agreed(values, share=MAJORITY):
    """The value that at least this share of the files have; None where there is none or too few files."""
    values = values.dropna()
    if len(values) < FEWEST_OF_A_STYLE:
        return None
    counts = values.value_counts()
    return counts.index[0] if counts.iloc[0] >= share * len(values) else None


def _spec_faults(frame, usual, named):
    """Yield (words, value, expected, unit) for each way in which a file is off the specification."""
    width, height = number(frame["width_px"]), number(frame["height_px"])
    wanted = usual.get("width_px"), usual.get("height_px")
    for name, side, want in (("wide", width, wanted[0]), ("high", height, wanted[1])):
        if want is not None and side is not None and side != want:
            yield f"{side:.0f} px {name} instead of {want:.0f}", side, float(want), "px"
    if width and height:
        yield from _shape_faults(width, height, usual)
    for name, unit in (("format", None), ("bit_depth", "bit")):
        want, have = usual.get(name), frame[name]
        allowed = want if isinstance(want, (list, tuple)) else [want]
        if want is not None and text(have) is not None and _same(have) not in [_same(item) for item in allowed]:
            words = f"{plain(have)} instead of {' or '.join(plain(item) for item in allowed)}"
            yield words + (f" {unit}" if unit else ""), number(have), number(want), unit
    size, most = number(frame["bytes"]), named.get("bytes_max")
    if most and size and size > most:
        yield f"{size / 1e6:.1f} MB instead of at most {most / 1e6:.1f}", size, float(most), "byte"


def _shape_faults(width, height, usual):
    long_side = max(width, height)
    if usual.get("long_side_min_px") and long_side < usual["long_side_min_px"]:
        want = float(usual["long_side_min_px"])
        yield f"{long_side:.0f} px on the long side instead of at least {want:.0f}", long_side, want, "px"
    want = usual.get("aspect") or usual.get("aspect_px")
    if want and abs(width / height / want - 1) > ASPECT_TOLERANCE + (0.005 if "aspect_px" in usual else 0):
        yield f"width over height is {width / height:.3f} instead of {want:.3f}", width / height, float(want), None


def _same(value):
    return str(value).lower().replace("jpg", "jpeg")


def colour_profile(evidence):
    """Files with another colour profile than the brief asks for or the majority has, or with none."""
    frames = evidence.measured
    frames = frames[frames["colour_profile"].notna()]
    named = brief_terms.file_spec(evidence.brief).get("colour_profile")
    profiles = frames["colour_profile"].map(profile_family)
    wanted = profile_family(named) if named else _agreed(profiles)
    if wanted is None:
        return
    if not named and wanted == "none" and evidence.stage == "finals":
        note = (
            "most files carry no colour profile and are read as sRGB: agree on an embedded profile with whoever "
            "exports them"
        )
        yield finding("colour_profile", sentence(note), severity="minor")
    strays = set() if named else _strays(evidence)
    for frame, have in zip(evidence.records(frames), profiles, strict=True):
        if have == wanted or frame["file"] in strays:
            continue
        found = "no colour profile" if have == "none" else f"the colour profile {plain(frame['colour_profile'])}"
        asked = "none" if wanted == "none" else plain(named or frames["colour_profile"][profiles == wanted].mode()[0])
        source = "the brief asks for" if named else "the other files have"
        note = f"the {called(frame)} carries {found} where {source} {asked}: convert it and export it again"
        alike = not named and wanted == "none" and have == "srgb"  # what carries none is read as sRGB
        yield finding("colour_profile", sentence(note), frame, severity="minor" if alike else None)


def profile_family(name):
    """
    One name for profiles that describe the same colour space under several names.

    Examples
    --------
    >>> profile_family("sRGB IEC61966-2.1"), profile_family("sRGB built-in"), profile_family("none")
    ('srgb', 'srgb', 'none')
    """
    words = str(name).lower()
    squeezed = words.replace(" ", "").replace("-", "")
    for family, hints in PROFILE_FAMILIES.items():
        if any(hint in squeezed for hint in hints):
            return family
    return words.strip()


PROFILE_FAMILIES = {
    "srgb": ("srgb", "iec6196621"),
    "adobe rgb (1998)": ("adobergb", "compatiblewithadobergb", "opergb"),
    "display p3": ("displayp3", "p3d65"),
    "prophoto rgb": ("prophoto", "romm"),
}


def jpeg_quality(evidence):
    """JPEG files compressed harder than the brief allows, or far harder than the majority."""
    frames = evidence.measured
    frames = frames[frames["jpeg_quality"].notna()]
    if frames.empty:
        return
    named = brief_terms.file_spec(evidence.brief).get("jpeg_quality_min")
    least = brief_terms.tolerance(evidence.brief, "jpeg_quality") if named is None else named
    usual = float(frames["jpeg_quality"].median())
    limit = least if named is not None else max(least, usual - FAR_BELOW)
    for frame in evidence.records(frames[frames["jpeg_quality"] < limit]):
        quality = frame["jpeg_quality"]
        expected = f"at least {limit:g} is expected" + (f", as {usual:.0f} is usual" if usual >= limit else "")
        source = expected if named is None else f"the brief asks for at least {limit:g}"
        note = (
            f"the {called(frame)} was saved at JPEG quality {quality:.0f} where {source}: "
            f"export it again from the original at a higher quality"
        )
        yield finding(
            "jpeg_quality", sentence(note), frame, value=quality, expected=max(usual, least), tolerance=limit
        )


def upscaled(evidence):
    """
    Pictures with less detail than their pixels could hold: enlarged from a smaller one.

    Where nearly all of them lack it, the delivery as a whole was enlarged, and that is one finding.
    """
    frames = evidence.measured
    frames = frames[frames["resolved"].notna()]
    limit = brief_terms.tolerance(evidence.brief, "upscaled")
    if frames.empty:
        return
    if len(frames) >= FEWEST_OF_A_STYLE and (frames["resolved"] < limit).mean() >= NEARLY_EVERY:
        usual = float(frames["resolved"].median())
        note = (
            f"the delivery as a whole resolves only {usual * 100:.0f} % of the detail that its pixels could hold "
            f"(needs {limit * 100:g} %; {int((frames['resolved'] < limit).sum())} of {len(frames)} pictures): it was "
            f"enlarged, or saved from previews, so export all of it again from the originals"
        )
        yield finding("upscaled", sentence(note), value=usual, expected=1.0, tolerance=limit)
        return
    cut_out = frames["fine_detail"] < FINEST_ENLARGED  # its finest edges are the mask's
    frames = frames[~(frames["blur_px"] * frames["resolved"] < FINEST_EDGE) | cut_out]
    of_view = frames.groupby(frames["view"].fillna(""))["resolved"].transform("median")
    bar = np.where(
        of_view > limit, np.minimum(limit - RESOLVED_ERROR, of_view - SOUND_RESOLVED), LESS_THAN_USUAL * of_view
    )
    for frame, usual in zip(evidence.records(frames[frames["resolved"] < bar]), of_view[frames["resolved"] < bar], strict=True):
        note = (
            f"the {called(frame)} resolves only {frame['resolved'] * 100:.0f} % of the detail that its "
            f"{frame['width_px']} x {frame['height_px']} pixels could hold (the set {usual * 100:.0f} %, needs "
            f"{limit * 100:g} %): it was enlarged, so export it again from the original"
        )
        yield finding(
            "upscaled", sentence(note), frame, value=frame["resolved"], expected=usual, tolerance=limit
        )


def metadata(evidence):
    """
    What the brief wants every file to state, and facts that nearly every other original carries.

    Rights fields and maker data are asked for by an agreement only: without the
    brief's word their absence is no fault. What the brief requires needs action.
    """
    required = brief_terms.required_metadata(evidence.brief)
    usual, strays = {} if evidence.stage != "originals" else _usually_carried(evidence.measured), _strays(evidence)
    for frame in evidence.records(evidence.measured):
        lacking = [words for name, words in required.items() if _lacks(frame, name)]
        if lacking:
            note = f"the {called(frame)} does not state the {' and the '.join(lacking)} that the brief requires: export it again with it"
            yield finding("metadata", sentence(note), frame, severity="major", remedy="re-export")
            continue
        lacking = [words for name, words in usual.items() if frame["file"] not in strays and _lacks(frame, name)]
        if lacking:
            note = (
                f"the {called(frame)} lacks the {' and the '.join(lacking)} that the other originals carry: "
                f"check whether it came straight from the camera"
            )
            yield finding("metadata", sentence(note), frame)


def _usually_carried(frames):
    """Facts of the camera that nearly every file carries, with their words."""
    facts = {"captured_at": "capture time", "ev100": "exposure settings"}
    enough = len(frames) >= FEWEST_OF_A_STYLE
    return {name: words for name, words in facts.items() if enough and frames[name].notna().mean() >= NEARLY_EVERY}


def _lacks(frame, name):
    return frame[name] is False or text(frame[name]) in (None, "False", "false")


def _views_by_pictures(facts):
    """One finding to confirm what the numbers of the names were taken for."""
    files = [file for file, name in facts.items() if getattr(name, "problem", "") == BY_PICTURES]
    if not files:
        return
    examples = {}
    for file in files:
        examples.setdefault((facts[file].view, facts[file].position), file)
    named = [f"{plain(file)} as {view_noun(view)}" for (view, _), file in examples.items()]
    note = (
        f"the names of {counted(len(files), 'picture')} carry a number, or 'main', and no view, so they were taken for what most pictures so "
        f"named show ({', '.join(named)}): say in the brief what the numbers mean (views.numbered), or rename them"
    )
    yield finding("unexpected_file", sentence(note), value=len(files), unit="files")


def unexpected_file(evidence):
    """Files whose name does not say which product or view they show."""
    facts = {name.file: name for name in evidence.names}
    frames, along = evidence.frames, raw_companions(evidence)
    if along:
        note = (
            f"{counted(len(along), 'camera raw file')} came along with the pictures developed from them (for example "
            f"{listed(sorted(along), 2)}) and {'was' if len(along) == 1 else 'were'} not measured: keep them elsewhere if nobody ordered them"
        )
        yield finding("unexpected_file", sentence(note), value=len(along), unit="files", remedy="check")
    yield from _views_by_pictures(facts)
    for frame in evidence.records(frames[frames["view_kind"] != "target"]):
        if frame["file"] in along or (text(frame["sku"]) and text(frame["view"])):
            continue
        read = facts.get(frame["file"])
        problem = text(getattr(read, "problem", None)) or "the name says nothing about product and view"
        suggestion = text(getattr(read, "suggestion", None))
        mend = f"rename it, perhaps to {plain(suggestion)}" if suggestion else "rename it, or say in the brief how to read it"
        note = f"the picture {plain(frame['file'])} fits no product and view ({plain(problem[:1].lower() + problem[1:]).rstrip('.')}): {mend}"
        yield finding("unexpected_file", sentence(note), frame)
