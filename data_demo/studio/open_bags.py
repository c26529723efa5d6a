"""Soft and open bags: tote, bucket, hobo. Centimetres."""

import math

import numpy as np

from . import shapes
from .parts import Surface, chape, handle, hang_tag, long_strap, part, seam, stitched_patch, zip_along, zip_pull


def _rings_up(outline, floor_radius, heights):
    """Rings from a rounded floor up: ``outline(z)`` gives the ring (N, 2) at that height."""
    floor = outline(0.0)
    size = np.abs(floor).max(axis=0)
    bottom = [(floor * (1 - floor_radius * (1 - math.sin(a)) / size), floor_radius * (1 - math.cos(a)))
              for a in np.linspace(0, 1, 7) * math.pi / 2]
    rings = bottom + [(outline(z), z) for z in heights if z > floor_radius * 1.02]
    return [np.column_stack([ring, np.full(len(ring), z)]) for ring, z in rings]


def _open_top(rings, lip=0.3, inner_drop=5.0):
    """Turn over the rim and go down inside; returns the outer mesh and the lining mesh."""
    rim = rings[-1]
    centre = rim.mean(axis=0)
    size = np.abs(rim[:, :2] - centre[:2]).max(axis=0)
    over = []
    for a in np.linspace(0.2, 1, 5) * math.pi:
        by = lip * (1 - math.cos(a)) / 2
        ring = rim.copy()
        ring[:, :2] = centre[:2] + (rim[:, :2] - centre[:2]) * (1 - by / size)
        ring[:, 2] += lip * 0.5 * math.sin(a)
        over.append(ring)
    drops = np.linspace(0, inner_drop, 8)
    inside = []
    for drop in drops:      # further in as it goes down, clear of the soft skin
        ring = over[-1] - (0, 0, drop)
        ring[:, :2] = centre[:2] + (ring[:, :2] - centre[:2]) * (1 - min(0.75 * drop, 1.0) / size)
        inside.append(ring)
    return (shapes.loft(np.array(rings + over), True, False), shapes.loft(np.array(inside), False, True))


def tote(bag, pose):
    """Open shopper, two handles, leather band at the top, hang tag."""
    w, h, d = bag.width_cm * pose.stretch[0], bag.height_cm * pose.stretch[1], bag.depth_cm
    flare = bag.detail.get("flare", 1.08)

    def outline(z):
        v = z / h
        width = w * (1 / flare + (1 - 1 / flare) * v)
        depth = d * (1 - 0.55 * v**1.5)
        ring = shapes.rounded_rectangle(width, depth, min(1.5, depth * 0.3), 220)
        mid = np.cos(np.clip(ring[:, 1] / depth, -0.5, 0.5) * math.pi) ** 2
        ends = np.clip((np.abs(ring[:, 0]) - width / 2 + 1.2) / 1.2, 0, 1)
        ring[:, 0] -= np.sign(ring[:, 0]) * mid * ends * 1.7 * v**1.3
        bulge = np.cos(np.clip(ring[:, 0] / width, -0.5, 0.5) * math.pi)
        ring[:, 1] += np.sign(ring[:, 1]) * 0.35 * bulge * math.sin(math.pi * v) * (1 - ends)
        return ring
    rings = _rings_up(outline, 0.9, np.linspace(0, h, 90))
    outer, lining = _open_top(rings)
    outer = shapes.soften(outer, bag.softness, pose.shape_seed, 13)
    skin = Surface(outer)
    parts = [part("body", "body", outer), part("lining", "lining", lining)]
    edge = w / 2 - 1.6
    line = [(x, h - 0.9) for x in np.linspace(-edge, edge, 30)]
    for side in (-1, 1):
        parts.append(seam(skin, line, side=side))
        low = [(x, bag.detail.get("band", 6.0)) for x in np.linspace(-edge + 0.4, edge - 0.4, 30)]
        if "band" in bag.detail:
            band = np.array([(s * (w / 2 / flare - 1.2), z) for s, z in ((1, 0.9), (1, bag.detail["band"]), (-1, bag.detail["band"]), (-1, 0.9))])
            band = shapes.resample(band, 260, closed=True)
            parts += stitched_patch(skin, band, "body", thickness=0.16, side=side, edge=0.4)
        else:
            parts.append(seam(skin, low, side=side))
        for s in (-1, 1):
            column = [(s * (w / 2 * 0.93 / flare + 0 * z + (z / h) * (w / 2 * 0.93) * (1 - 1 / flare)), z)
                      for z in np.linspace(1.5, h - 0.9, 20)]
            parts.append(seam(skin, column, side=side, lift=0.0))
    half = w * 0.19
    for side, group, tilt in ((-1, "handle_front", pose.tilt_front_deg), (1, "handle_rear", -pose.tilt_rear_deg)):
        tops = []
        for s in (-1, 1):
            if bag.detail.get("rolled"):
                more, top = chape(skin, s * half, h - 3.0, group, side)
                tops.append(top)
            else:
                shape = shapes.rounded_rectangle(2.4, 8.0, 0.3, 90) + (s * half, h - 4.2)
                more = stitched_patch(skin, shape, group, thickness=0.3, side=side, edge=0.35)
                top, _ = skin.across([(s * half, h - 0.6)], side)
                tops.append(top[0] + (0, side * 0.2, 0.0))
            parts += more
        foot = np.mean(tops, axis=0)
        flat = None if bag.detail.get("rolled") else (2.4, 0.42)
        parts += handle((foot[1], foot[2]), half, bag.handle_cm, tilt, group, flat, square=0.45)
    skin_at, _ = skin.across([(-half, h - 5.2)])
    if bag.detail.get("tag", True):
        parts += hang_tag((-half + 0.2, skin_at[0, 1] - 0.7, h - 2.2), skin, swing=pose.tag_swing)
    return parts


def bucket(bag, pose):
    """Round drawstring bag: gathered top, eyelets, cord, long strap."""
    w, h, d = bag.width_cm * pose.stretch[0], bag.height_cm * pose.stretch[1], bag.depth_cm
    random = pose.random(7)
    phase = random.uniform(0, 6.28, 3)

    def outline(z):
        v = z / h
        belly = 0.86 + 0.14 * math.sin(math.pi * min(v * 1.15, 1) ** 0.9) - 0.10 * max(v - 0.72, 0) / 0.28
        ring = shapes.superellipse(w / 2 * belly, d / 2 * belly, 2.35, 320)
        angle = np.arctan2(ring[:, 1] / d, ring[:, 0] / w)
        fold = max((v - 0.42) / 0.58, 0) ** 1.6
        wave = (np.sin(12 * angle + phase[0]) * 0.55 + np.sin(7 * angle + phase[1]) * 0.3
                + 0.25 * np.sin(19 * angle + phase[2]))
        return ring * (1 + 0.075 * fold * wave)[:, None]
    rings = _rings_up(outline, 1.0, np.linspace(0, h, 110))
    for ring in rings:
        angle = np.arctan2(ring[:, 1], ring[:, 0])
        ring[:, 2] += 0.45 * np.sin(3 * angle + phase[1]) * (ring[:, 2] / h) ** 3
    outer, lining = _open_top(rings, 0.3, h * 0.4)
    outer = shapes.soften(outer, bag.softness, pose.shape_seed, 9, (1, 1, 2.5))
    skin = Surface(outer)
    parts = [part("body", "body", outer), part("lining", "lining", lining)]
    belt = h * 0.845
    angles = np.linspace(0, 2 * math.pi, 12, endpoint=False) + math.pi / 12
    cord = []
    for k, a in enumerate(np.linspace(0, 2 * math.pi, 240, endpoint=False)):
        direction = np.array([math.cos(a), math.sin(a), 0])
        hit, _, _, _ = skin.tree.ray_cast((direction * 60 + (0, 0, belt)).tolist(), (-direction).tolist())
        out = np.array(hit) if hit is not None else direction * w / 2 + (0, 0, belt)
        weave = math.sin(12 * (a - math.pi / 12) + math.pi / 2)
        cord.append(out + direction * (0.16 + 0.12 * weave))
    cord = np.array(cord)
    cord = (cord + np.roll(cord, 1, 0) + np.roll(cord, -1, 0)) / 3
    parts.append(part("trim", "trim", shapes.rod(cord, 0.27, 12, closed=True)))
    for a in angles:
        direction = np.array([math.cos(a), math.sin(a), 0])
        hit, _, _, _ = skin.tree.ray_cast((direction * 60 + (0, 0, belt)).tolist(), (-direction).tolist())
        if hit is not None:
            parts.append(part("hardware", "metal", shapes.torus(np.array(hit) + direction * 0.05, 0.5, 0.14, direction)))
    front, _ = skin.across([(0, belt)])
    knot = front[0] + (0, -0.55, 0)
    for s, length in ((-1, 7.5), (1, 8.6)):
        ends = skin.across([(s * 1.3, belt - 3.2), (s * 1.9, belt - length)])[0] + (0, -0.4, 0)
        line = shapes.smooth_curve([knot, knot + (s * 0.7, -0.25, -0.9), *ends], 40)
        parts.append(part("trim", "trim", shapes.rod(line, 0.25)))
        tip = shapes.rod(np.array([line[-1], line[-1] + (0.1 * s, -0.02, -1.5)]), 0.36, 16)
        parts.append(part("hardware", "metal", tip))
    parts.append(part("trim", "trim", shapes.box(knot + (0, -0.1, 0), (1.9, 0.9, 1.2), 0.4)))
    base = [(x, h * 0.17) for x in np.linspace(-w * 0.42, w * 0.42, 40)]
    for side in (-1, 1):
        parts.append(seam(skin, base, side=side))
        parts.append(seam(skin, [(x, z + 0.5) for x, z in base], side=side))
    if bag.detail.get("tag", True):
        parts += hang_tag(knot + (2.2, -0.3, -0.2), skin, swing=pose.tag_swing, drop=3.2)
    if bag.strap:
        parts += long_strap(pose.strap_state, w / 2 * 0.95, d, h, h * 0.88, skin, pose.random(5), width=2.0)
    return parts


def hobo(bag, pose):
    """Slouching crescent with a wide shoulder handle and a zip in its mouth."""
    w, h, d = bag.width_cm * pose.stretch[0], bag.height_cm * pose.stretch[1], bag.depth_cm
    random = pose.random(7)
    points = np.array([(0.0, 0), (0.26, 0.005), (0.42, 0.08), (0.50, 0.30), (0.495, 0.56), (0.45, 0.82), (0.40, 1.0),
                       (0.335, 0.93), (0.20, 0.75), (0.0, 0.68)])
    mirror = (points[1:-1] * (-1, 1))[::-1]
    curve = np.vstack([points, mirror]) * (w, h)
    sag = random.normal(0, 0.012, curve.shape) * (w, h)
    sag[:2] = sag[-1:] = 0
    sag[:, 1] = np.maximum(sag[:, 1], -curve[:, 1])
    outline = shapes.smooth_curve(curve + sag, 300, closed=True)
    outline[:, 1] = np.maximum(outline[:, 1], 0)
    centre = np.array([0, 0.33 * h])

    def panel(side):
        rings = []
        for r in np.linspace(0.02, 1, 60):
            flat = centre + (outline - centre) * r
            thick = d / 2 * (1 - r**2.6) ** 0.62 * (0.55 + 0.45 * np.clip(1.1 - flat[:, 1] / h, 0, 1)) + 0.35
            rings.append(np.column_stack([flat[:, 0], side * thick, flat[:, 1]]))
        return rings
    vertices, faces = shapes.loft(np.array(panel(1) + panel(-1)[::-1]))
    local = vertices * (1, 1, 0.33)
    lift = np.clip(vertices[:, 2] / 3, 0.1, 1) * (np.abs(vertices[:, 1]) > 0.5)
    lean = vertices[:, 0] * 0.5
    ridge = shapes.ripple(local + lean[:, None] * (0, 0, 0.6), pose.shape_seed, 7.5, 3)
    crease = np.minimum(ridge, 0.25) * 0.75 * bag.softness
    vertices = vertices + shapes.vertex_normals(vertices, faces) * (crease * lift)[:, None]
    body = (vertices, faces)
    skin = Surface(body)
    parts = [part("body", "body", body)]
    mouth = outline[(np.abs(outline[:, 0]) < w * 0.33) & (outline[:, 1] > h * 0.6)]
    mouth = mouth[np.argsort(mouth[:, 0])]
    path = shapes.smooth_curve(np.column_stack([mouth[:, 0], 0 * mouth[:, 0], mouth[:, 1] + 0.05])[::6], 140)
    parts += zip_along(path, np.tile([0, 0, 1.0], (140, 1)), width=1.1)
    parts += zip_pull(path[8] + (0, -0.5, 0.3), swing=0.1)
    around = centre + (outline - centre) * 0.94
    parts += [seam(skin, np.vstack([around, around[:1]])[::4], side=s, count=520) for s in (-1, 1)]
    tip = outline[np.argmax(outline[:, 1] * (outline[:, 0] > 0))]
    top = tip[1] + bag.handle_cm
    shift = random.normal(0, 0.8)
    feet = [(tip[0] * 0.985, 0, tip[1] - 2.0), (tip[0] * 0.99, -0.05, tip[1] + 1.5), (tip[0] * 0.86, 0.3, tip[1] + bag.handle_cm * 0.5),
            (tip[0] * 0.5, 0.6, top - 1.8)]
    line = feet + [(shift, 0.8, top)] + [(-x, y, z) for x, y, z in feet[::-1]]
    path = shapes.smooth_curve(line, 150)
    inside = np.array([0, 0.4, tip[1] + bag.handle_cm * 0.3])
    parts.append(part("handle_front", "body", shapes.ribbon(path, path - inside, 3.4, 0.55)))
    _, normal, across = shapes.frames_along(path, path - inside)
    rows = [shapes.stitches(path[5:-5] + across[5:-5] * s * 1.35 + normal[5:-5] * 0.27, normal[5:-5]) for s in (-1, 1)]
    parts.append(part("handle_front", "thread", shapes.merge(rows)))
    for s in (-1, 1):
        at = np.array([s * tip[0] * 0.985, 0, tip[1] + 0.2])
        parts.append(part("hardware", "metal", shapes.box(at, (1.4, 4.0, 1.0), 0.3)))
    if bag.detail.get("tag", True):
        parts += hang_tag((-tip[0] * 0.97, -1.6, tip[1] - 1.0), skin, swing=pose.tag_swing + 0.15)
    return parts
