"""The people of an exposure on the GPU: bodies, the men drawn this time, their colours."""

from __future__ import annotations

from typing import Any

import moderngl
import numpy as np

from models.synthetic.figures import MARGIN, Figures
from models.synthetic.lens import ViewCamera
from models.synthetic.people import PeopleLibrary

CELL = (32, 64)  # pixels of one man's cell in the area atlas
ATLAS_COLUMNS, ATLAS_ROWS = 32, 8
MAX_FIGURES = ATLAS_COLUMNS * ATLAS_ROWS
LINEAR = ((np.arange(256) / 255.0) ** 2.2).astype(np.float32)  # of an 8-bit value
FIELDS = ("i_pos", "i_pose", "i_info", "i_box", "i_cell")  # of a man, four floats each
PANELS = ("jersey_front", "jersey_back", "sleeve", "pants", "sock", "helmet")  # parts the shader knows


class DrawnPeople:
    """Every body of a library in textures; ``load`` says who is drawn.

    ``person`` (picture), ``flat`` (shadow, area), ``ident`` and ``disc`` are arrays to render with as many
    instances as there are figures.
    """

    def __init__(
        self, ctx: Any, library: PeopleLibrary, person: Any, flat: Any, ident: Any, disc: Any
    ) -> None:
        """ctx: GL context; person, flat, ident, disc: the passes' programs."""
        self.ctx, self.lib, lib = ctx, library, library
        shapes, frames, count = lib.vertices_q.shape[:3]
        textures: list[Any] = []
        for data, kind in ((lib.vertices_q, np.int16), (lib.normals, np.int8)):
            four = np.zeros((shapes * frames, count, 4), kind)
            four[..., :3] = data.reshape(shapes * frames, count, 3)
            t = ctx.texture(
                (count, shapes * frames), 4, four.tobytes(), dtype="i2" if kind == np.int16 else "i1"
            )
            t.filter = (moderngl.NEAREST, moderngl.NEAREST)
            textures.append(t)
        self.vertices, self.normals = textures
        self.vertex = ctx.buffer(
            np.hstack([lib.part[:, None].astype("f4"), lib.uv.astype("f4")]).astype("f4").tobytes()
        )
        self.instances = ctx.buffer(reserve=MAX_FIGURES * 80)
        turn = np.linspace(0, 2 * np.pi, 11)
        rim = np.stack([np.cos(turn), np.sin(turn)], 1)
        fan = ctx.buffer(np.stack([np.zeros((10, 2)), rim[:-1], rim[1:]], 1).astype("f4").tobytes())
        self.disc = ctx.vertex_array(
            disc, [(fan, "2f", "in_disc"), (self.instances, "4f 4f 48x/i", "i_pos", "i_pose")]
        )
        self.near, self.far = (
            tuple(self._array(program, faces) for program in (person, flat, ident))
            for faces in (lib.faces, lib.faces_far)
        )
        self.person, self.flat, self.ident = self.near
        self.codes = [lib.part_names.index(n) if n in lib.part_names else -1 for n in PANELS]
        self.palette: Any = None

    def _array(self, program: Any, faces: np.ndarray) -> Any:
        """Every man of ``instances``, of these faces, for one program."""
        used = [f for f in FIELDS if f in program]
        mesh = [f for f in ("a_part", "a_uv") if f in program]
        layout = " ".join("4f" if f in program else "16x" for f in FIELDS) + "/i"
        lay_v = " ".join(["1f" if "a_part" in program else "4x", "2f" if "a_uv" in program else "8x"])
        bind: list[tuple[Any, ...]] = [(self.instances, layout, *used)]
        if mesh:
            bind.insert(0, (self.vertex, lay_v, *mesh))
        index = self.ctx.buffer(faces.astype("i4").tobytes())
        return self.ctx.vertex_array(program, bind, index, index_element_size=4)

    def release(self) -> None:
        """Give the textures back."""
        self.vertices.release()
        self.normals.release()

    def load(self, figures: Figures, boxes: np.ndarray, cam: ViewCamera, far: bool) -> None:
        """Draw these next; boxes (N,4) px of :func:`body_boxes`; far: with fewer faces."""
        n = len(figures)
        self.person, self.flat, self.ident = self.far if far else self.near
        row = np.zeros((n, 20), "f4")
        row[:, 0:4], row[:, 4:8] = figures.place, figures.pose
        row[:, 8], row[:, 9], row[:, 10], row[:, 11] = (
            np.arange(n),
            figures.look[:, 0],
            figures.look[:, 1],
            np.arange(n) + 1,
        )
        b = np.nan_to_num(boxes, nan=0.0)
        size = np.array([cam.width_px, cam.height_px]) * MARGIN
        centre = np.array([(cam.width_px - 1) / 2, (cam.height_px - 1) / 2])
        lo, hi = (b[:, :2] - centre) / size * 2, (b[:, 2:] - centre) / size * 2
        row[:, 12], row[:, 13], row[:, 14], row[:, 15] = lo[:, 0], -hi[:, 1], hi[:, 0], -lo[:, 1]
        k = np.arange(n)
        cx, cy = (k % ATLAS_COLUMNS) / ATLAS_COLUMNS * 2 - 1, (k // ATLAS_COLUMNS) / ATLAS_ROWS * 2 - 1
        row[:, 16], row[:, 17], row[:, 18], row[:, 19] = cx, cy, cx + 2 / ATLAS_COLUMNS, cy + 2 / ATLAS_ROWS
        self.instances.write(row.tobytes())
        palette = np.ascontiguousarray(LINEAR[figures.palette.reshape(max(n, 0), 24, 3)])
        if self.palette is not None:
            self.palette.release()
        self.palette = self.ctx.texture(
            (24, max(n, 1)), 3, palette.tobytes() if n else bytes(288), dtype="f4"
        )
        self.palette.filter = (moderngl.NEAREST, moderngl.NEAREST)
