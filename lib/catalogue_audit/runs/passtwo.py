"""
Pass two: every judgement that needs other files, made once over facts and sketches.

Nothing here decodes a picture or reads the delivery.
"""

from typing import NamedTuple

import pandas as pd

from catalogue_audit import __version__
from catalogue_audit.findings.compare import compare_with_previous
from catalogue_audit.findings.corrections import corrections
from catalogue_audit.findings.decisions import apply_decisions, read_decisions, without_effect
from catalogue_audit.findings.evidence import Evidence
from catalogue_audit.findings.judge import find
from catalogue_audit.findings.sample import read_check_sheet, read_earlier, sampling_summary
from catalogue_audit.findings.stage import tell_stage
from catalogue_audit.findings.verdict import delivery_verdict, product_table
from catalogue_audit.report.audit import Audit
from catalogue_audit.runs.given import Given
from catalogue_audit.runs.originals import pairing_summary, taken_from
from catalogue_audit.runs.places import local_time
from catalogue_audit.statistics.geometry.pose import framing_rule, pose_deviations
from catalogue_audit.statistics.matching.identity import group_pictures, misfiled
from catalogue_audit.statistics.matching.misfiling import as_shown
from catalogue_audit.statistics.photometry.clusters import exposure_groups
from catalogue_audit.statistics.photometry.light import light_deviations
from catalogue_audit.statistics.series.changes import find_changes
from catalogue_audit.statistics.series.runs import capture_runs
from catalogue_audit.statistics.surface.spots import sensor_spots
from catalogue_audit.statistics.tables import conform

OF_THE_PICTURE = ("sku", "style", "view", "view_kind")  # as the picture shows them, where its name is wrong


def judge_delivery(
    *,
    delivery_name,
    frames,
    sketches,
    names,
    brief,
    products=None,
    undelivered=None,
    originals=None,
    given=Given(),
    notes=(),
):
    """
    Everything the report shows, from the frame columns and the sketches.

    Parameters
    ----------
    delivery_name : str
    frames : DataFrame
        Frame columns of every file.
    sketches : mapping of str to dict
    names : list of NameFacts
    brief : Brief
    products : DataFrame, optional
        The supplied products file.
    undelivered : DataFrame, optional
        What `delivery.products.split_products` left out of it.
    originals : runs.originals.Originals, optional
    given : Given
    notes : tuple of str
        What happened on the way, for the report's method part.

    Returns
    -------
    Audit
    """
    stage = tell_stage(frames, brief)
    told = _compared(frames, sketches, names, brief, products, originals)
    frames = told.frames
    evidence = Evidence(
        brief=brief,
        stage=stage,
        frames=frames,
        names=names,
        products=products,
        undelivered=undelivered,
        changes=told.changes,
        pairs=told.pairs,
        misfiled=told.misfiled,
        spots=told.spots,
        framing_rule=framing_rule(frames, brief, products),
        sketches=sketches,
        check_sheet=None if given.check_sheet is None else read_check_sheet(given.check_sheet, brief.sampling.questions),
        earlier=read_earlier(given.earlier),
    )
    findings, marks = find(evidence)
    if given.decisions is not None:
        accepted = read_decisions(given.decisions)
        notes = (*notes, *without_effect(findings, accepted))
        findings = apply_decisions(findings, accepted, evidence.judged_on)
    findings = conform("findings", findings)
    marks = conform("marks", marks)
    table = conform("products", product_table(evidence, findings))
    verdict = delivery_verdict(evidence, findings, table)
    summary = {
        "delivery": delivery_name,
        "stage": stage,
        "audited_at": local_time(),
        "tool_version": __version__,
        "brief": brief.model_dump(mode="json"),
        **verdict,
        "sampling": sampling_summary(evidence.sample, brief.sampling, evidence.skus, given.previous is not None),
    }
    if originals is not None:
        summary["originals"] = pairing_summary(frames, originals)
    return Audit(
        brief=brief,
        frames=frames,
        findings=findings,
        marks=marks,
        products=table,
        corrections=conform("corrections", corrections(frames, findings, brief)),
        changes=told.changes,
        pairs=told.pairs,
        spots=told.spots,
        framing_rule=evidence.framing_rule,
        comparison=None if given.previous is None else compare_with_previous(given.previous, frames, findings),
        summary=summary,
        sketches=sketches,
        original_sketches={} if originals is None else originals.sketches,
        notes=tuple(notes),
    )


class Compared(NamedTuple):
    """Tables of what files tell of one another; ``frames`` with all their set columns."""

    frames: pd.DataFrame
    pairs: pd.DataFrame
    misfiled: pd.DataFrame
    spots: pd.DataFrame
    changes: pd.DataFrame


def _compared(frames, sketches, names, brief, products, originals):
    """`Compared` of a delivery; parameters as in `judge_delivery`."""
    spot_counts, spots = sensor_spots(frames, sketches)  # by the files' own cameras: a crop moves the sensor's places
    taken = taken_from(frames, sketches, names, originals)
    frames, pairs = _grouped(taken.frames, sketches, brief)
    wrong_files = misfiled(_of_their_own_moment(frames), sketches, pairs, products)
    shown = as_shown(frames, wrong_files)
    as_taken = taken.as_taken(shown), taken.sketches
    frames = _with(frames, pose_deviations(shown, sketches, brief, products, as_taken))
    frames = _with(frames, light_deviations(shown, sketches, brief))
    frames = conform("frames", frames.assign(sensor_spots=spot_counts), {"sensor_spots"})
    changes = conform("changes", find_changes(frames.assign(**{name: shown[name] for name in OF_THE_PICTURE}), brief))
    return Compared(frames, pairs, wrong_files, spots, changes)


def _grouped(frames, sketches, brief):
    groups, pairs = group_pictures(frames, sketches, brief.shared.within_style)
    frames = conform("frames", frames.assign(**dict(groups.items())))  # all of it: what originals lent conforms to nothing yet
    frames = frames.assign(capture_run=capture_runs(frames, brief), exposure_group=exposure_groups(frames))
    return conform("frames", frames, {"capture_run", "exposure_group"}), pairs


def _of_their_own_moment(frames):
    """Frames without the capture time of pictures made from one original: a recoloured one was not taken among its product's."""
    shared = frames["original_file"].notna() & frames["original_file"].duplicated(keep=False)
    return frames.assign(captured_at=frames["captured_at"].mask(shared))


def _with(frames, columns):
    """Frames, conforming already, with further columns, replacing those of the same name."""
    return conform("frames", frames.assign(**{name: columns[name] for name in columns.columns}), set(columns.columns))
