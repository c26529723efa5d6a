"""Parts sewn and riveted onto a bag: panels, handles, straps, zips, rings, tags. Centimetres."""

import math
from dataclasses import dataclass

import numpy as np
from mathutils.bvhtree import BVHTree

from . import shapes


@dataclass(frozen=True)
class Part:
    """One mesh with one material; ``group`` says what it belongs to (body, handle_front, …)."""

    group: str
    material: str
    vertices: np.ndarray
    faces: list


def part(group, material, mesh):
    return Part(group, material, np.asarray(mesh[0], float), mesh[1])


class Surface:
    """The finished body, asked where its skin is."""

    def __init__(self, mesh):
        self.tree = BVHTree.FromPolygons(mesh[0].tolist(), mesh[1])

    def _ray(self, origin, direction):
        hit, normal, _, _ = self.tree.ray_cast(origin, direction)
        if hit is None:
            hit, normal, _, _ = self.tree.find_nearest((origin[0], direction[1] * -5, origin[2]))
        if normal.y * direction[1] > 0.3:
            normal = -normal
        return tuple(hit), tuple(normal)

    def across(self, xz, side=-1):
        """Skin and normals where rays along y meet it, from the front (side -1) or back (+1)."""
        found = [self._ray((x, side * 200.0, z), (0, -side, 0)) for x, z in xz]
        return np.array([f[0] for f in found]), np.array([f[1] for f in found])

    def above(self, xy):
        """Skin and normals met from above."""
        found = []
        for x, y in xy:
            hit, normal, _, _ = self.tree.ray_cast((x, y, 300.0), (0, 0, -1))
            if hit is None:
                hit, normal, _, _ = self.tree.find_nearest((x, y, 30.0))
            found.append((tuple(hit), tuple(normal)))
        return np.array([f[0] for f in found]), np.array([f[1] for f in found])


def patch(surface, outline, thickness=0.22, side=-1):
    """A leather piece glued to the skin; outline (N, 2) in x, z."""
    def place(points, height):
        skin, normal = surface.across(points, side)
        normal = np.where(np.abs(normal[:, 1:2]) > 0.2, normal, [0, side, 0])
        return skin + normal * height
    return shapes.pad(outline, thickness, place, bevel=min(0.12, thickness * 0.6))


def inset(outline, by):
    centre = outline.mean(axis=0)
    size = np.abs(outline - centre).max(axis=0)
    return centre + (outline - centre) * (1 - by / size)


def stitched_patch(surface, outline, group, material="trim", thickness=0.22, side=-1, edge=0.35):
    """The piece and the seam that holds it."""
    seam = inset(outline, edge)
    seam = shapes.resample(np.vstack([seam, seam[:1]]), max(60, len(seam)))
    skin, normal = surface.across(seam, side)
    return [part(group, material, patch(surface, outline, thickness, side)),
            part(group, "thread", shapes.stitches(skin + normal * thickness, normal))]


def seam(surface, xz, group="body", side=-1, lift=0.0, count=240):
    """A row of stitches straight on the skin."""
    line = shapes.smooth_curve(xz, count)
    skin, normal = surface.across(line, side)
    return part(group, "thread", shapes.stitches(skin + normal * lift, normal))


def arch(half_width, height, straight=0.35, square=0.5):
    """A handle's centre line in its own plane, from left foot to right: (K, 2) across, up."""
    right = [(half_width, 0), (half_width * 1.01, straight * height),
             (half_width * (0.62 + 0.3 * square), height * 0.80),
             (half_width * (0.30 + 0.22 * square), height * 0.97)]
    left = [(-x, z) for x, z in right]
    return shapes.smooth_curve(left + [(0, height)] + right[::-1], 90)


def handle(feet, half_width, height, tilt_deg, group, flat=None, radius=0.48, square=0.5):
    """
    A standing handle with its feet at ``(±half_width, feet[0], feet[1])`` (y, z).

    ``tilt_deg`` + leans it towards the camera. ``flat = (width, thickness)`` makes a strap handle,
    otherwise it is rolled.
    """
    line = arch(half_width, height, square=square)
    tilt = math.radians(tilt_deg)
    bend = np.clip(line[:, 1] / max(height, 1e-6), 0, 1)
    y = feet[0] - line[:, 1] * math.sin(tilt) * (0.4 + 0.6 * bend)
    z = feet[1] + line[:, 1] * math.cos(tilt)
    path = np.column_stack([line[:, 0], y, z])
    normal = np.tile([0, -math.cos(tilt), -math.sin(tilt)], (len(path), 1))
    if flat:
        body = part(group, "trim", shapes.ribbon(path, normal, *flat))
        rows = []
        _, normal, across = shapes.frames_along(path, normal)
        for s in (-1, 1):
            for face in (-1, 1):
                line = path + across * s * (flat[0] / 2 - 0.22) + face * normal * flat[1] / 2
                rows.append(shapes.stitches(line[2:-2], face * normal[2:-2]))
        return [body, part(group, "thread", shapes.merge(rows))]
    sides = 24
    rolled = shapes.tube(path, shapes.superellipse(radius, radius * 1.05, 2.2, sides), normal)
    _, normal, across = shapes.frames_along(path, normal)
    inner = path - radius * 0.98 * across
    return [part(group, "trim", rolled),
            part(group, "thread", shapes.stitches(inner[6:-6], -across[6:-6]))]


def chape(surface, x, z, group, side=-1, size=(2.0, 5.0), ring=0.85, metal="metal"):
    """Tab that carries a handle: leather, seam, rivet, ring. Returns parts and the ring's centre."""
    shape = shapes.rounded_rectangle(size[0], size[1], size[0] * 0.42, 64) + (x, z)
    parts = stitched_patch(surface, shape, group, side=side, edge=0.28)
    skin, normal = surface.across([(x, z - size[1] * 0.18)], side)
    angle = np.linspace(0, math.pi / 2, 6)
    disc = shapes.superellipse(1, 1, 2, 24)
    rings = [np.column_stack([x + 0.36 * math.cos(a) * disc[:, 0],
                              np.full(24, skin[0, 1] + side * (0.2 + 0.2 * math.sin(a))),
                              skin[0, 2] + 0.36 * math.cos(a) * disc[:, 1]]) for a in angle]
    parts.append(part(group, metal, shapes.loft(np.array(rings), cap_start=False)))
    top, _ = surface.across([(x, z + size[1] / 2 - 0.5)], side)
    centre = np.array([x, top[0, 1] + side * 0.32, z + size[1] / 2 + ring * 0.25])
    parts.append(part(group, metal, shapes.torus(centre, ring, 0.14, (0, 1, 0), 0.85)))
    return parts, centre + (0, 0, ring * 0.6)


def zip_along(path, normals, group="body", width=1.5):
    """Zip: tape, two rows of teeth as one chain, along a path with normals."""
    _, normal, across = shapes.frames_along(path, normals)
    tape = shapes.ribbon(path + normal * 0.02, normal, width, 0.16)
    teeth = [shapes.stitches(path + normal * 0.1 + across * s * 0.1, normal, 0.26, 0.17, 0.15)
             for s in (-1, 1)]
    return [part(group, "zip", tape), part(group, "metal", shapes.merge(teeth))]


def zip_pull(at, group="body", length=4.2, swing=0.0, normal=(0, -1, 0)):
    """Slider and leather pull hanging from ``at``, swung sideways by ``swing`` radians."""
    at = np.asarray(at, float)
    slider = shapes.box(at, (0.8, 0.5, 1.1), 0.2)
    ring = shapes.torus(at + (0, normal[1] * 0.35, -0.75), 0.38, 0.08, (0.2, 1, 0))
    shape = shapes.rounded_rectangle(1.1, length, 0.45, 60)

    def place(points, height):
        u, w = points[:, 0], points[:, 1] - length / 2 - 0.85
        return np.column_stack([at[0] + u * math.cos(swing) - w * math.sin(swing),
                                np.full(len(u), at[1] + normal[1] * (0.42 + height)),
                                at[2] + u * math.sin(swing) + w * math.cos(swing)])
    leather = shapes.pad(shape, 0.2, place, 0.08)
    line = place(inset(shape, 0.22), 0.2)
    thread = shapes.stitches(np.vstack([line, line[:1]]), np.tile(normal, (61, 1)).astype(float),
                             0.36, 0.24, 0.04)
    return [part(group, "metal", shapes.merge([slider, ring])), part(group, "trim", leather),
            part(group, "thread", thread)]


def hang_tag(at, surface, group="tag", size=(3.6, 5.4), swing=0.12, drop=2.6):
    """Paper-thin leather tag on a cord, lying against the front."""
    at = np.asarray(at, float)
    low = at + (math.sin(swing) * drop, 0, -math.cos(swing) * drop)
    shape = shapes.rounded_rectangle(size[0], size[1], 0.5, 72)
    c, s = math.cos(swing), math.sin(swing)

    def place(points, height):
        u, w = points[:, 0], points[:, 1] - size[1] / 2
        x, z = low[0] + u * c - w * s, low[2] + u * s + w * c
        return np.column_stack([x, np.full(len(x), base - height), z])
    corners = np.array([(u, w) for u in (-1.8, 0, 1.8) for w in (0, -2.7, -5.4)])
    x = low[0] + corners[:, 0] * c - corners[:, 1] * s
    z = low[2] + corners[:, 0] * s + corners[:, 1] * c
    skin, _ = surface.across(np.column_stack([x, z]))
    base = min(skin[:, 1].min() - 0.18, at[1] - 0.1)
    cord_end = place(np.array([[0, size[1] / 2 - 0.6]]), 0.1)[0]
    cord = shapes.smooth_curve([at, (at + cord_end) / 2 + (0.12, -0.1, 0), cord_end], 24)
    eye = shapes.torus(cord_end + (0, -0.05, 0), 0.3, 0.09, (0, 1, 0))
    line = place(inset(shape, 0.25), 0.16)
    thread = shapes.stitches(np.vstack([line, line[:1]]), np.tile([0, -1.0, 0], (73, 1)),
                             0.36, 0.24, 0.04)
    return [part(group, "trim", shapes.pad(shape, 0.16, place, 0.06)), part(group, "thread", thread),
            part(group, "metal", eye), part(group, "edge", shapes.rod(cord, 0.1))]


def strap_path(state, half_width, depth, height, anchor_z, surface, random):
    """Centre line (K, 3) and face normals of a long strap in one of its states."""
    a, j = half_width, lambda s: random.normal(0, s)
    front = lambda x, z: (x, min(surface.across([(np.clip(x, -a * 0.97, a * 0.97), z)])[0][0, 1], 0)
                          - 0.45, z)
    low = height * (0.24 + j(0.015))
    if state == "front":
        dx = j(0.5)
        half = [(-a - 0.4, 0, anchor_z), (-a - 0.8, -depth * 0.30, anchor_z - 0.8),
                (-a * 0.97 - 0.2, -depth / 2 - 0.6, anchor_z - 2.6),
                front(-a * 0.80, low + (anchor_z - low) * 0.50),
                front(-a * 0.52 + dx * 0.6, low + (anchor_z - low) * 0.15), front(dx, low)]
        right = [(-x, y, z) for x, y, z in half[:3]] + [
            front(a * 0.80, low + (anchor_z - low) * 0.50),
            front(a * 0.52 + dx * 0.6, low + (anchor_z - low) * 0.15)]
        path = shapes.smooth_curve(half + right[::-1], 160)
        side = np.clip(np.abs(path[:, 0]) - a * 0.9, 0, 1)[:, None]
        normals = np.array([0, -1.0, 0]) * (1 - side) + side * np.column_stack(
            [np.sign(path[:, 0]), -0.5 + 0 * path[:, 0], 0 * path[:, 0]])
        return path, normals
    if state == "behind":
        half = [(-a - 0.4, 0, anchor_z), (-a - 0.9, depth * 0.35, anchor_z - 1.0),
                (-a * 0.95, depth / 2 + 0.9, anchor_z - 3.5),
                (-a * 0.6, depth / 2 + 2.0, height * 0.35), (0, depth / 2 + 2.6, height * 0.2)]
        path = shapes.smooth_curve(half + [(-x, y, z) for x, y, z in half[:-1]][::-1], 140)
        return path, np.column_stack([0.3 * np.sign(path[:, 0]), np.ones(140), 0 * path[:, 0]])
    if state == "held_up":
        top = height + max(18.0, 0.75 * height) + j(0.6)
        half = [(-a - 0.3, 0, anchor_z), (-a - 0.2, 0, anchor_z + 3),
                (-a * 0.72, 0.2, anchor_z + (top - anchor_z) * 0.55),
                (-a * 0.34, 0.3, anchor_z + (top - anchor_z) * 0.88), (0, 0.3, top)]
        path = shapes.smooth_curve(half + [(-x, y, z) for x, y, z in half[:-1]][::-1], 150)
        centre = np.array([0, 0.2, anchor_z + (top - anchor_z) * 0.4])
        return path, path - centre
    if state == "draped":
        out = a + 3.5 + abs(j(0.8))
        points = [(-a - 0.3, 0, anchor_z), (-a * 0.75, -0.4, height + 2.2),
                  (-a * 0.2, -0.8, height + 3.6), (a * 0.5, -0.8, height + 2.4),
                  (a + 1.2, -1.0, height * 0.72), (out, -1.8, height * 0.3), (out + 1.2, -3.0, 0.6),
                  (out + 3.4, -3.4, 0.25), (out + 4.4, -1.5, 0.25), (out + 2.6, -0.3, 1.6),
                  (a + 1.0, 0.2, height * 0.5), (a + 0.4, 0, anchor_z)]
        path = shapes.smooth_curve(points, 220)
        centre = np.array([a * 0.4, 0, height * 0.4])
        return path, (path - centre) * (1, 0.3, 1)
    if state == "coiled":
        turn = np.linspace(0, 2 * math.pi * 2.6, 200)
        radius = 2.6 + turn * 0.17
        centre = (a + 6.5 + j(0.4), -depth / 2 - 2.5)
        path = np.column_stack([centre[0] + radius * np.cos(turn), centre[1] + radius * np.sin(turn),
                                np.full(200, 1.0)])
        return path, np.column_stack([np.cos(turn), np.sin(turn), 0 * turn])
    raise ValueError(f"strap state '{state}' is none of front, behind, held_up, draped, coiled")


def long_strap(state, half_width, depth, height, anchor_z, surface, random, width=1.6, chain=False):
    """The long strap with its rings and clasps; ``none`` leaves the rings alone."""
    parts = []
    for s in (-1, 1):
        at = np.array([s * (half_width + 0.1), 0, anchor_z])
        parts.append(part("body", "metal", shapes.torus(at, 0.75, 0.15, (0, 1, 0), 1.0)))
    if state == "none":
        return parts
    path, normals = strap_path(state, half_width, depth, height, anchor_z, surface, random)
    if chain:
        even = shapes.resample(path, max(int(np.linalg.norm(np.diff(path, axis=0), axis=1).sum() / 1.05), 8))
        tangent, normal, across = shapes.frames_along(even)
        links = []
        for k, (p, t, n, c) in enumerate(zip(even, tangent, normal, across)):
            angle = np.linspace(0, 2 * math.pi, 18, endpoint=False)[:, None]
            side = n * 0.8 + c * 0.6 if k % 2 else c * 0.8 - n * 0.6
            links.append(shapes.rod(p + 0.68 * np.cos(angle) * t + 0.4 * np.sin(angle) * side, 0.11, 8, True))
        return parts + [part("strap", "metal", shapes.merge(links))]
    parts.append(part("strap", "trim", shapes.ribbon(path, normals, width, 0.3)))
    _, normal, across = shapes.frames_along(path, normals)
    rows = [shapes.stitches(path[4:-4] + across[4:-4] * s * (width / 2 - 0.2) + f * normal[4:-4] * 0.15,
                            f * normal[4:-4]) for s in (-1, 1) for f in (-1, 1)]
    parts.append(part("strap", "thread", shapes.merge(rows)))
    for end in (0, -1):
        step = 6 if end == 0 else -7
        clasp = shapes.smooth_curve([path[end], path[step // 2], path[step]], 12)
        parts.append(part("strap", "metal", shapes.rod(clasp, 0.3, 14)))
    k = len(path) // 7
    buckle = path[k] + normal[k] * 0.3
    parts.append(part("strap", "metal", shapes.torus(buckle, width * 0.62, 0.13, normal[k], 0.9)))
    return parts
