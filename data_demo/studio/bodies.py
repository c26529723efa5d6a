"""The eight bag shapes, boxy to slouchy: each takes a Bag and a Pose and returns Parts."""

import math

import numpy as np

from . import shapes
from .parts import (Surface, chape, handle, hang_tag, inset, long_strap, part, seam, stitched_patch,
                    zip_along, zip_pull)


def _soften(mesh, amount, seed, wavelength, stretch=(1, 1, 2.2), base=2.0):
    """Push the skin in and out; nothing moves on the ground."""
    vertices, faces = mesh
    if amount <= 0:
        return mesh
    grip = np.clip(vertices[:, 2:] / base, 0, 1)
    push = shapes.ripple(vertices, seed, wavelength, 3, stretch)[:, None] * amount
    return vertices + shapes.vertex_normals(vertices, faces) * push * grip, faces


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
    inside = [over[-1] - (0, 0, d) for d in drops]
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
    outer = _soften(outer, bag.softness, pose.shape_seed, 13)
    skin = Surface(outer)
    parts = [part("body", "body", outer), part("lining", "lining", lining)]
    edge = w / 2 - 1.6
    line = [(x, h - 0.9) for x in np.linspace(-edge, edge, 30)]
    for side in (-1, 1):
        parts.append(seam(skin, line, side=side))
        low = [(x, bag.detail.get("band", 6.0)) for x in np.linspace(-edge + 0.4, edge - 0.4, 30)]
        if "band" in bag.detail:
            band = np.array([(s * (w / 2 / flare + 0.1), z) for s, z in ((1, 0.9), (1, bag.detail["band"]), (-1, bag.detail["band"]), (-1, 0.9))])
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


def _flap(body_depth, height, half_width, drop, corner, offset=0.25, thickness=0.3):
    """A flap from the back edge over the top and down the front; (mesh, outline seam path, normals)."""
    back = body_depth / 2 + offset
    r = 1.3
    profile = [(back, height - 3.0), (back, height - r)]
    profile += [(back - r * (1 - math.cos(a)), height - r + (r + offset) * math.sin(a)) for a in np.linspace(0.3, 1.57, 5)]
    profile += [(-back + r * (1 - math.cos(a)), height - r + (r + offset) * math.sin(a)) for a in np.linspace(1.57, 0.3, 5)]
    profile += [(-back - 0.15, height - r), (-back - 0.3, height - drop * 0.6), (-back - 0.05, height - drop)]
    path = shapes.smooth_curve([(0, y, z) for y, z in profile], 150)
    along = np.linspace(0, np.linalg.norm(np.diff(path, axis=0), axis=1).sum(), 150)
    left = along[-1] - along
    fall = np.clip(1 - left / corner, 0, 1)
    half = half_width - corner * 0.9 * (1 - np.sqrt(np.clip(1 - fall**2.4, 0, 1)))
    half[-1] = half_width - corner * 0.93
    normal = np.cross(np.gradient(path, axis=0), [1.0, 0, 0])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    if normal[100, 1] > 0:
        normal = -normal
    across = np.linspace(-1, 1, 81)
    edge = 1 - np.abs(across) ** 24
    grid = lambda lift: (path[:, None] + half[:, None, None] * across[None, :, None] * np.array([1.0, 0, 0])
                         + normal[:, None] * (lift * edge[None, :, None]))
    top, low = grid(thickness), grid(0.0)
    rings = np.concatenate([top, low[:, ::-1]], axis=1)
    mesh = shapes.loft(rings[:, :, :])
    inset = 0.45
    seam_left = path + (half - inset)[:, None] * [-1.0, 0, 0] + normal * (thickness + 0.01)
    seam_right = path + (half - inset)[:, None] * [1.0, 0, 0] + normal * (thickness + 0.01)
    keep = (along > 3.2) & (left > inset)
    bottom_x = np.linspace(-(half[-1] - 0.1), half[-1] - 0.1, 30)
    end = np.column_stack([bottom_x, np.full(30, path[-3, 1] + normal[-3, 1] * (thickness + 0.01)),
                           np.full(30, path[-1, 2] + inset)])
    seam_path = np.vstack([seam_left[keep], end, seam_right[keep][::-1]])
    normals = np.vstack([normal[keep], np.tile(normal[-3], (30, 1)), normal[keep][::-1]])
    return mesh, shapes.resample(seam_path, 400), shapes.resample(normals, 400), path[-1], normal[-3]


def _lock(at, metal="metal"):
    """A turning lock: plate, bevelled rim, and the bar across it."""
    plate = shapes.superellipse(1.55, 1.15, 3.2, 60)

    def place(points, height):
        return np.column_stack([at[0] + points[:, 0], np.full(len(points), at[1] - height), at[2] + points[:, 1]])
    base = shapes.pad(plate, 0.3, place, 0.12)
    bar = shapes.box((at[0], at[1] - 0.6, at[2]), (0.5, 0.6, 1.3), 0.2)
    rim = shapes.rod(place(shapes.superellipse(1.05, 0.72, 3, 60), 0.32), 0.07, 8, True)
    return [part("hardware", metal, base), part("hardware", metal, bar), part("hardware", metal, rim)]


def _box_body(w, h, d, radius=1.1, belly=0.3, count=240):
    """An upright box with rounded edges all round."""
    rings = []
    for a in np.linspace(0, 1, 8) * math.pi / 2:
        rings.append((radius * (1 - math.sin(a)), radius * (1 - math.cos(a))))
    for z in np.linspace(radius, h - radius, 60)[1:-1]:
        rings.append((0.0, z))
    for a in np.linspace(1, 0, 8) * math.pi / 2:
        rings.append((radius * (1 - math.sin(a)), h - radius * (1 - math.cos(a))))
    out = []
    for inset, z in rings:
        ring = shapes.rounded_rectangle(w - 2 * inset, d - 2 * inset, radius * 1.1, count)
        bulge = np.cos(np.clip(ring[:, 0] / w, -0.5, 0.5) * math.pi) * math.sin(math.pi * z / h)
        ring[:, 1] += np.sign(ring[:, 1]) * belly * bulge
        out.append(np.column_stack([ring, np.full(count, z)]))
    return shapes.loft(np.array(out))


def satchel(bag, pose):
    """Structured box: flap, turning lock, one rolled top handle, long strap."""
    w, h, d = bag.width_cm * pose.stretch[0], bag.height_cm * pose.stretch[1], bag.depth_cm
    body = _soften(_box_body(w, h, d), bag.softness * 0.4, pose.shape_seed, 16)
    skin = Surface(body)
    drop = h * bag.detail.get("drop", 0.58)
    mesh, line, normals, end, end_normal = _flap(d, h, w / 2 - 0.15, drop, bag.detail.get("corner", 3.2))
    parts = [part("body", "body", body), part("body", bag.detail.get("flap", "body"), mesh),
             part("body", "thread", shapes.stitches(line, normals))]
    for side in (-1, 1):
        edge = shapes.rounded_rectangle(w - 1.1, h - 1.1, 1.2, 260) + (0, h / 2)
        parts.append(seam(skin, np.vstack([edge, edge[:1]]), side=side, count=420))
    if bag.detail.get("pocket"):
        shape = shapes.rounded_rectangle(w * 0.78, h * 0.34, 1.0, 160) + (0, h * 0.24)
        parts += stitched_patch(skin, shape, "body", "body", thickness=0.35)
    lock_at = np.array([0, end[1] - 0.32, end[2] + 1.7])
    if bag.detail.get("belts"):
        for s in (-1, 1):
            parts += _belt(skin, s * w * 0.27, h, d, end)
    else:
        parts += _lock(lock_at)
    top = h + 0.55
    parts += _top_handle(w * 0.24, top, bag.handle_cm, pose.tilt_front_deg)
    if bag.strap:
        parts += long_strap(pose.strap_state, w / 2, d, h, h - 2.6, _flap_skin(body, mesh), pose.random(5),
                            chain=bag.detail.get("chain", False))
    if bag.detail.get("tag"):
        parts += hang_tag((w * 0.24, -d / 2 - 0.9, h - 0.4), _flap_skin(body, mesh), swing=pose.tag_swing)
    return parts


def _flap_skin(*meshes):
    return Surface(shapes.merge(meshes))


def _top_handle(half, z, height, tilt_deg):
    """One rolled handle on two bridges on top of the bag."""
    parts = []
    for s in (-1, 1):
        tab = shapes.box((s * half, 0, z + 0.05), (2.6, 1.7, 0.3), 0.12)
        parts.append(part("handle_front", "trim", tab))
        parts.append(part("handle_front", "metal", shapes.torus(np.array([s * half, 0, z + 0.75]), 0.72, 0.14, (0, 1, 0))))
    return parts + handle((0.0, z + 1.2), half, height, tilt_deg, "handle_front", radius=0.55, square=0.6)


def _belt(skin, x, height, depth, end):
    """A closing belt with a buckle over the flap."""
    z0, z1 = end[2] - 3.4, height - 1.8
    shape = shapes.rounded_rectangle(1.9, z1 - z0, 0.9, 140) + (x, (z0 + z1) / 2)
    y = end[1] - 0.62

    def place(points, lift):
        fall = np.clip((points[:, 1] - height + 3.2) / 3.0, 0, 1)
        return np.column_stack([points[:, 0], y - lift + 0.35 * fall, points[:, 1]])
    strap = shapes.pad(shape, 0.25, place, 0.1)
    line = place(inset(shape, 0.25), 0.25)
    thread = shapes.stitches(np.vstack([line, line[:1]]), np.tile([0, -1.0, 0], (141, 1)))
    at = np.array([x, y - 0.4, end[2] + 0.6])
    frame = shapes.rod(np.column_stack([shapes.rounded_rectangle(2.9, 2.3, 0.5, 50)[:, 0] + x,
                                        np.full(50, at[1]), shapes.rounded_rectangle(2.9, 2.3, 0.5, 50)[:, 1] + at[2]]),
                       0.17, 10, True)
    pin = shapes.rod(np.array([at + (0, -0.12, 1.1), at + (0, -0.2, 0), at + (0, -0.12, -1.2)]), 0.11, 10)
    return [part("hardware", "trim", strap), part("hardware", "thread", thread),
            part("hardware", "metal", shapes.merge([frame, pin]))]


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
    body = _soften(slab(outline, d, bevel, 0.9), bag.softness * 0.5, pose.shape_seed, 12)
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
    outer = _soften(outer, bag.softness, pose.shape_seed, 9, (1, 1, 2.5))
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


def crossbody(bag, pose):
    """Small flap bag on a chain or a strap; channels quilted across when asked."""
    w, h, d = bag.width_cm * pose.stretch[0], bag.height_cm * pose.stretch[1], bag.depth_cm
    body = _box_body(w, h, d, 1.4, 0.5)
    drop = h * bag.detail.get("drop", 0.72)
    mesh, line, normals, end, _ = _flap(d, h, w / 2 - 0.1, drop, bag.detail.get("corner", 5.0), thickness=0.4)
    if bag.detail.get("channels"):
        body, mesh = (_quilt(m, w / bag.detail["channels"]) for m in (body, mesh))
    skin = Surface(body)
    parts = [part("body", "body", body), part("body", "body", mesh)]
    parts.append(part("body", "thread", shapes.stitches(line + normals * 0.02, normals)))
    edge = shapes.rounded_rectangle(w - 1.2, h - 1.2, 1.3, 260) + (0, h / 2)
    parts += [seam(skin, np.vstack([edge, edge[:1]]), side=s, count=360, lift=0.02) for s in (-1, 1)]
    both = _flap_skin(body, mesh)
    lock_z = end[2] + 1.8
    face, _ = both.across([(0, lock_z)])
    parts += _lock(np.array([0, face[0, 1] - 0.02, lock_z]))
    if bag.strap:
        parts += long_strap(pose.strap_state, w / 2, d, h, h - 1.8, both, pose.random(5), width=1.2,
                            chain=bag.detail.get("chain", False))
    if bag.detail.get("tag"):
        parts += hang_tag((-w * 0.36, -d / 2 - 0.9, h - 0.8), both, swing=pose.tag_swing, size=(2.8, 4.2))
    return parts


def _quilt(mesh, pitch):
    vertices, faces = mesh
    puff = 0.32 * np.abs(np.sin(math.pi * vertices[:, 0] / pitch)) ** 0.55
    facing = np.abs(shapes.vertex_normals(vertices, faces)[:, 1])
    return vertices + np.column_stack([0 * puff, np.sign(vertices[:, 1]) * puff * facing, 0 * puff]), faces


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
    body = _soften(body, bag.softness * 0.5, pose.shape_seed, 10, (1.6, 1, 1))
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


SHAPES = {"tote": tote, "satchel": satchel, "bowler": bowler, "bucket": bucket, "hobo": hobo,
          "crossbody": crossbody, "barrel": barrel}
