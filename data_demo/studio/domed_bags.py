"""Zipped bags of panels and gussets: bowler and barrel. Centimetres."""

import math

import numpy as np

from . import shapes
from .parts import Surface, chape, handle, hang_tag, long_strap, part, seam, stitched_patch, zip_along, zip_pull


def slab(outline, depth, bevel, bulge):
    """A closed outline (N, 2 in x, z) thickened along y, its panels bulging, its edges rounded."""
    centre = np.array([0, outline[:, 1].mean()])
    size = np.abs(outline - centre).max(axis=0)

    def ring(inset, scale, y):
        flat = centre + (outline - centre) * scale * (1 - inset / size)
        return np.column_stack([flat[:, 0], np.full(len(flat), y), flat[:, 1]])
    front = [ring(bevel, s, -depth / 2) for s in np.linspace(0.03, 1, 44)]
    for r, s in zip(front, np.linspace(0.03, 1, 44)):
        away = (r[:, [0, 2]] - centre) / size
        r[:, 1] -= bulge * (1 - s**5) * np.prod(np.cos(np.clip(away, -1, 1) * math.pi / 2.4), axis=1)
    turn = [ring(bevel * (1 - math.sin(a)), 1, -depth / 2 + bevel * (1 - math.cos(a)))
            for a in np.linspace(0.15, 1, 6) * math.pi / 2]
    side = [ring(0, 1, y) for y in np.linspace(-depth / 2 + bevel, depth / 2 - bevel, 16)[1:]]
    half = front + turn
    back = [r * (1, -1, 1) for r in half][::-1]
    return shapes.loft(np.array(half + side + back[1:])[::-1])


def _dome(w, h, square=2.6, floor=2.2):
    """Dome outline of the bowler and its like, counter-clockwise in x, z."""
    angle = np.linspace(0, math.pi, 200)
    c, s = np.cos(angle), np.sin(angle)
    top = np.column_stack([w / 2 * np.sign(c) * np.abs(c) ** (2 / square),
                           h * 0.36 + h * 0.64 * np.abs(s) ** (2 / square)])
    arc = np.linspace(0, math.pi / 2, 24)
    left = np.column_stack([-w / 2 * 0.96 + floor - floor * np.cos(arc), floor - floor * np.sin(arc)])
    return shapes.resample(np.vstack([top, left, (left * (-1, 1))[::-1]]), 260, closed=True)


def _pipe(outline, depth, bevel, side):
    """Piping round a panel's edge."""
    centre = np.array([0, outline[:, 1].mean()])
    size = np.abs(outline - centre).max(axis=0)
    flat = centre + (outline - centre) * (1 - bevel * 0.42 / size)
    return shapes.rod(np.column_stack([flat[:, 0], np.full(len(flat), side * (depth / 2 - bevel * 0.25)), flat[:, 1]]),
                      0.24, 10, closed=True)


def bowler(bag, pose):
    """Domed body, piping, a zip over the top, two rolled handles, long strap."""
    w, h, d = bag.width_cm * pose.stretch[0], bag.height_cm * pose.stretch[1], bag.depth_cm
    outline = _dome(w, h, bag.detail.get("square", 2.6))
    bevel = 0.8
    body = shapes.soften(slab(outline, d, bevel, 0.9), bag.softness * 0.5, pose.shape_seed, 12)
    skin = Surface(body)
    parts = [part("body", "body", body)]
    for side in (-1, 1):
        parts.append(part("body", "trim", _pipe(outline, d, bevel, side)))
        inner = outline * (0.93, 0.93) + (0, h * 0.035)
        parts.append(seam(skin, np.vstack([inner, inner[:1]])[::3], side=side, count=500))
    top = outline[(outline[:, 1] > h * 0.42)]
    top = top[np.argsort(-np.arctan2(top[:, 0], top[:, 1] - h * 0.3))]
    path = np.column_stack([top[:, 0], np.zeros(len(top)), top[:, 1]])
    normal = np.column_stack([path[:, 0] / w * 2, 0 * path[:, 0], (path[:, 2] - h * 0.4) / h * 1.6])
    path = shapes.resample(path, 160)
    normal = shapes.resample(normal, 160)
    parts += zip_along(path + normal / np.linalg.norm(normal, axis=1, keepdims=True) * 0.05, normal, width=1.8)
    at = path[-1]
    parts += zip_pull((at[0] + 0.25, -0.4, at[2] + 0.6), swing=-0.1)
    band = shapes.rounded_rectangle(w * 0.9, h * 0.2, 0.6, 220) + (0, h * 0.125)
    if bag.detail.get("band"):
        for side in (-1, 1):
            parts += stitched_patch(skin, band, "body", thickness=0.14, side=side)
    half = w * 0.2
    for side, group, tilt in ((-1, "handle_front", pose.tilt_front_deg), (1, "handle_rear", -pose.tilt_rear_deg)):
        tops = []
        for s in (-1, 1):
            more, top_at = chape(skin, s * half, h * 0.70, group, side, size=(2.2, 5.6))
            parts += more
            tops.append(top_at)
        foot = np.mean(tops, axis=0)
        parts += handle((foot[1], foot[2]), half, bag.handle_cm, tilt, group, radius=0.5, square=0.4)
    if bag.strap:
        parts += long_strap(pose.strap_state, w / 2 - 0.1, d, h, h * 0.62, skin, pose.random(5))
    if bag.detail.get("tag", True):
        front, _ = skin.across([(half, h * 0.8)])
        parts += hang_tag((half, front[0, 1] - 1.0, h * 0.78), skin, swing=pose.tag_swing)
    return parts


def barrel(bag, pose):
    """Cylinder lying along x: end discs with piping, zip on top, two strap handles, long strap."""
    w, h, d = bag.width_cm * pose.stretch[0], bag.height_cm * pose.stretch[1], bag.depth_cm
    rings, bevel = [], 0.7
    base = shapes.superellipse(d / 2, h / 2, 2.25, 240)
    size = np.array([d / 2, h / 2])
    turn = np.linspace(0.1, 1, 6) * math.pi / 2
    places = ([(s, -w / 2 - 0.4 * (1 - s * s)) for s in np.linspace(0.05, 0.93, 22)]
              + [(1 - bevel * (1 - math.sin(a)) / size.min(), -w / 2 + bevel * (1 - math.cos(a))) for a in turn])
    middle = [(1.0, x) for x in np.linspace(-w / 2 + bevel, w / 2 - bevel, 80)[1:-1]]
    for s, x in places + middle + [(s, -x) for s, x in places[::-1]]:
        sag = 1 - 0.03 * math.cos(math.pi * x / w) * bag.softness
        rings.append(np.column_stack([np.full(240, x), base[:, 0] * s, h / 2 + base[:, 1] * s * sag]))
    body = shapes.loft(np.array(rings))
    body = shapes.soften(body, bag.softness * 0.5, pose.shape_seed, 10, (1.6, 1, 1))
    skin = Surface(body)
    parts = [part("body", "body", body)]
    for s in (-1, 1):
        ring = np.column_stack([np.full(240, s * (w / 2 - bevel * 0.2)), base[:, 0] * 0.985, h / 2 + base[:, 1] * 0.985])
        parts.append(part("body", "trim", shapes.rod(ring, 0.24, 10, closed=True)))
    xs = np.linspace(-w * 0.44, w * 0.44, 140)
    top, normal = skin.above(np.column_stack([xs, 0 * xs]))
    parts += zip_along(top + (0, 0, 0.05), np.tile([0, 0, 1.0], (140, 1)), width=1.8)
    parts += zip_pull(top[132] + (0.6, -1.6, 0.0), swing=0.15)
    half = w * 0.21
    for side, group, tilt in ((-1, "handle_front", pose.tilt_front_deg), (1, "handle_rear", -pose.tilt_rear_deg)):
        for s in (-1, 1):
            band = shapes.rounded_rectangle(2.4, h * 0.72, 0.2, 160) + (s * half, h * 0.44)
            parts += stitched_patch(skin, band, group, thickness=0.24, side=side, edge=0.3)
        foot, _ = skin.across([(half, h * 0.80)], side)
        parts += handle((foot[0, 1] + side * 0.2, h * 0.78), half, bag.handle_cm + h * 0.12, tilt, group, (2.4, 0.42), square=0.4)
    if bag.strap:
        parts += long_strap(pose.strap_state, w / 2, d, h, h * 0.70, skin, pose.random(5), width=2.0)
    front, _ = skin.across([(-half, h * 0.72)])
    if bag.detail.get("tag", True):
        parts += hang_tag((-half, front[0, 1] - 0.9, h * 0.76), skin, swing=pose.tag_swing)
    return parts
