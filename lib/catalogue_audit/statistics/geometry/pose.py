"""Pose of each picture against the set: turn, lean, size, place, strap."""

import numpy as np
import pandas as pd

from catalogue_audit.measures.applicability import shows_a_turn
from catalogue_audit.statistics.geometry.framing_rules import framing_rule, size_and_place
from catalogue_audit.statistics.geometry.handles import handle_stands
from catalogue_audit.statistics.geometry.lean import leans
from catalogue_audit.statistics.geometry.registration import TOLD, by_registration
from catalogue_audit.statistics.geometry.stances import stances
from catalogue_audit.statistics.geometry.strap_states import strap_states
from catalogue_audit.statistics.geometry.table_line import line_rolls
from catalogue_audit.statistics.geometry.turns import yaw_deviations

UNSURE_TURN_DEG = 3.0  # of a three-quarter view, from which its turn is left out: nearly half of what a wrong one is off
UNSURE_ROLL_DEG = 0.35  # of a straight-on picture: with less, its own shape tells its roll
OFF_FOR_SURE = 3.0  # standard uncertainties
AGREE = 3.0  # standard uncertainties within which two rolls are taken together


def pose_deviations(frames, sketches, brief, products=None, as_taken=None):
    """
    Set columns of the pose.

    Parameters
    ----------
    frames : DataFrame
        Frame columns, one row a file.
    sketches : mapping of str to dict
        Uses ``corner``, ``front_edge``, ``round_base``, ``upper_edge``, ``axis``, ``outline``, ``mask``, ``sides``,
        ``preview``, ``stand``, ``straight_on`` and ``strap``.
    brief : Brief
    products : DataFrame, optional
        With ``sku``, ``width_cm``, ``height_cm``, ``depth_cm``; ``strap``.
    as_taken : (DataFrame, mapping), optional
        Frames and sketches of the pictures as the camera took them, index as `frames`: turn and lean need its
        optical centre, which a crop moves. By default `frames` and `sketches`.

    Returns
    -------
    DataFrame
        Index as `frames`; ``yaw_dev_deg``, ``yaw_dev_sd_deg``, ``roll_dev_deg``,
        ``roll_dev_sd_deg``, ``pitch_dev_deg``, ``pitch_dev_sd_deg``, ``lean_deg``,
        ``lean_sd_deg``, ``tilt_deg``, ``tilt_sd_deg``, ``strap_state``, ``scale_dev``, ``centre_dev_x``,
        ``centre_dev_y`` and their ``_sd``, ``px_per_cm``. Empty where nothing can be known.
    """
    result = pd.DataFrame(index=frames.index)
    taken, taken_sketches = (frames, sketches) if as_taken is None else as_taken
    stood = stances(taken, taken_sketches)
    result = result.join(yaw_deviations(taken, stood, brief, taken_sketches, products))
    as_delivered = taken is frames and taken_sketches is sketches
    shown = stood if as_delivered else stances(frames, sketches)  # a roll is what the delivered picture shows
    result = result.assign(roll_dev_deg=shown["roll"], roll_dev_sd_deg=shown["roll_sd"], pitch_dev_deg=stood["pitch"], pitch_dev_sd_deg=stood["pitch_sd"])
    result = _beside_their_own(result, taken, taken_sketches, brief, products, taken_sketches is sketches)
    result = _without_unsure_turns(result, frames)
    result = _by_the_line_behind(result, frames, sketches)
    states = strap_states(taken, taken_sketches, products)
    strapped = taken.assign(strap_state=states)
    corners = result[["pitch_dev_deg", "pitch_dev_sd_deg"]].set_axis(["pitch", "pitch_sd"], axis=1).astype(float)
    leaning = leans(strapped, taken_sketches, handle_stands(taken, taken_sketches, products), corners)
    heights = leaning[["height_deg", "height_sd_deg"]].set_axis(["pitch_dev_deg", "pitch_dev_sd_deg"], axis=1)
    result = result.assign(**heights.fillna(result[heights.columns])).join(leaning.drop(columns=["height_deg", "height_sd_deg"]))
    result = result.join(size_and_place(frames, sketches, brief, products))
    result["strap_state"] = states if as_delivered else strap_states(frames, sketches, products)
    return result


def _beside_their_own(result, taken, sketches, brief, products, as_delivered):
    """Turn, roll and pitch as the other pictures of a style and view confirm or correct them; roll where nothing was cropped since."""
    names = {"yaw": "yaw_dev", "pitch": "pitch_dev", **({"roll": "roll_dev"} if as_delivered else {})}
    columns = {f"{angle}{end}": f"{name}{end}_deg" for angle, name in names.items() for end in ("", "_sd")}
    alone = pd.DataFrame({angle: result[column] for angle, column in columns.items()}).reindex(columns=TOLD)
    told = by_registration(taken, sketches, alone, brief, products)
    better = {column: told[angle].where(told[angle].notna(), result[column]) for angle, column in columns.items()}
    return result.assign(**better)


def _without_unsure_turns(result, frames):
    """Turns of three-quarter views that are known, or off for sure: another says nothing, though it may have confirmed one of its shape."""
    turned = frames["view"].fillna("").map(shows_a_turn).astype(bool)
    dev, sd = (result[name].astype(float) for name in ("yaw_dev_deg", "yaw_dev_sd_deg"))
    unsure = turned & (sd > UNSURE_TURN_DEG) & ~(dev.abs() > OFF_FOR_SURE * sd)
    return result.assign(yaw_dev_deg=dev.where(~unsure), yaw_dev_sd_deg=sd.where(~unsure))


def _by_the_line_behind(result, frames, sketches):
    """
    Roll as a straight line behind the product tells it: of turned views, and of others whose own shape leaves their roll open.

    The room neither sags nor leans back as products do: where the two do not agree, the line is right.
    """
    turned = frames["view"].fillna("").map(shows_a_turn).astype(bool)
    line = line_rolls(frames[turned | ~(frames["roll_sd_deg"].astype(float) < UNSURE_ROLL_DEG)], sketches).reindex(frames.index)
    told = line["roll"].notna()
    own, own_sd = (result[f"roll_dev{end}_deg"].astype(float) for end in ("", "_sd"))
    apart = (own - line["roll"]).abs() / np.hypot(own_sd, line["sd"])
    share = (line["sd"] ** -2 / (line["sd"] ** -2 + own_sd**-2)).where(apart < AGREE, 1.0)
    roll, sd = line["roll"] * share + own.fillna(0.0) * (1 - share), line["sd"] * np.sqrt(share)
    return result.assign(roll_dev_deg=roll.where(told, own), roll_dev_sd_deg=sd.where(told, own_sd))


__all__ = ["framing_rule", "pose_deviations"]
