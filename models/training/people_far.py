"""The faces of a man drawn small: fewer of them, on vertices that are there already.

A processor spends its time on a small man's triangles, not on his pixels. Half-edge collapses by the quadric
error (Garland and Heckbert 1997, from memory) take a vertex to a neighbour's place; no vertex moves, so
poses, normals and panels stay what they are and a man needs but a second list of faces.
"""

from __future__ import annotations

import heapq

import numpy as np

FAR_FACES = 600


class _Mesh:
    """Faces on welded places (``weld``): who touches whom, and what it costs to take one place to another."""

    def __init__(self, vertices: np.ndarray, faces: np.ndarray, weld: np.ndarray, weight: np.ndarray) -> None:
        """vertices (K, V, 3) K shapes and poses of a body; faces (F, 3); weld (V,); weight (F,)."""
        self.v, self.weld, self.weight = vertices.astype(float), weld.astype(int), weight
        self.faces = [tuple(int(i) for i in f) for f in faces]
        self.alive = [True] * len(self.faces)
        self.at: dict[int, set[int]] = {}
        for k, f in enumerate(self.faces):
            for i in f:
                self.at.setdefault(int(self.weld[i]), set()).add(k)
        self.quadric = {g: np.sum([self._plane(k) for k in a], axis=0) for g, a in self.at.items()}

    def _plane(self, face: int) -> np.ndarray:
        """(K, 4, 4) area-weighted squared distance from the face's plane."""
        a, b, c = (self.v[:, i] for i in self.faces[face])
        normal = np.cross(b - a, c - a)
        area = np.linalg.norm(normal, axis=1, keepdims=True)
        plane = np.concatenate([normal, -(normal * a).sum(1, keepdims=True)], 1) / np.maximum(area, 1e-12)
        return np.asarray(plane[:, :, None] * plane[:, None, :] * area[..., None]) * self.weight[face]

    def places(self, face: int) -> tuple[int, ...]:
        return tuple(int(self.weld[i]) for i in self.faces[face])

    def neighbours(self, place: int) -> set[int]:
        return {g for k in self.at[place] for g in self.places(k)} - {place}

    def cost(self, here: int, there: int) -> float:
        """Squared distances added over the bodies, with a little for length so that flat ground is even."""
        x = np.concatenate([self.v[:, there], np.ones((len(self.v), 1))], 1)
        both = self.quadric[here] + self.quadric[there]
        length = ((self.v[:, here] - self.v[:, there]) ** 2).sum(1)
        return float((np.einsum("ki,kij,kj->k", x, both, x) + 1e-3 * length**2).sum())

    def copies(self, here: int, there: int) -> dict[int, int] | None:
        """Which vertex each of ``here``'s becomes; None where the two are not joined in every part."""
        out: dict[int, int] = {}
        mine = set()
        for k in self.at[here]:
            at = {int(self.weld[i]): i for i in self.faces[k]}
            mine.add(at[here])
            if there in at and out.setdefault(at[here], at[there]) != at[there]:
                return None
        return out if mine == set(out) else None

    def may(self, here: int, there: int) -> bool:
        """No hole and no fold comes of it."""
        shared = self.at[here] & self.at[there]
        if len(shared) != 2 or len(self.neighbours(here) & self.neighbours(there)) != 2:
            return False
        for k in self.at[here] - shared:
            corners = [self.v[:, i] for i in self.faces[k]]
            moved = [self.v[:, there] if self.weld[i] == here else self.v[:, i] for i in self.faces[k]]
            before, after = (np.cross(p[1] - p[0], p[2] - p[0]) for p in (corners, moved))
            if ((before * after).sum(1) < 0).any():
                return False
        return True

    def collapse(self, here: int, there: int, become: dict[int, int]) -> None:
        for k in list(self.at[here]):
            if there in self.places(k):
                self.alive[k] = False
                for g in self.places(k):
                    self.at[g].discard(k)
            else:
                self.faces[k] = tuple(become.get(i, i) for i in self.faces[k])
                self.at[there].add(k)
        self.quadric[there] = self.quadric[there] + self.quadric[here]
        self.at[here] = set()


def far_faces(
    vertices: np.ndarray,
    faces: np.ndarray,
    weld: np.ndarray,
    weight: np.ndarray,
    count: int = FAR_FACES,
) -> np.ndarray:
    """(F', 3) at most about ``count`` faces on the same vertices.

    vertices (K, V, 3): K bodies and poses to keep the shape of, any unit; faces (F, 3); weld (V,) first
    vertex at the same place; weight (F,) how much a face's shape counts for its area. A face keeps
    the part of its corners. Stops early where nothing more may go.
    """
    mesh = _Mesh(vertices, faces, weld, weight)
    heap: list[tuple[float, int, int]] = []
    best: dict[tuple[int, int], float] = {}

    def offer(here: int, there: int) -> None:
        best[here, there] = mesh.cost(here, there)
        heapq.heappush(heap, (best[here, there], here, there))

    for g in mesh.at:
        for other in mesh.neighbours(g):
            offer(g, other)
    while heap and sum(mesh.alive) > count:
        cost, here, there = heapq.heappop(heap)
        if best.get((here, there)) != cost or there not in mesh.neighbours(here):
            continue
        become = mesh.copies(here, there)
        if become is None or not mesh.may(here, there):
            continue
        mesh.collapse(here, there, become)
        for other in mesh.neighbours(there):
            offer(there, other)
            offer(other, there)
    return np.array([f for f, kept in zip(mesh.faces, mesh.alive, strict=True) if kept], np.int64)
