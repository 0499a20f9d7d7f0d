"""Draws one exposure of a game on a GPU or on Mesa: moderngl, standalone EGL context, no window.

A picture is drawn wide and undistorted (``MARGIN`` times the picture's angle), then one pass applies the
lens,
the shutter (rotation of the camera while it is open), light and tone. A second, half-size pass writes
who is at
each pixel; a third draws every man alone into a small cell, which gives the area he would cover unhidden.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import moderngl
import numpy as np

from models.synthetic.field_paint import paint_field
from models.synthetic.figures import (
    MARGIN,
    PROP_ID,
    Exposure,
    Figures,
    body_boxes,
    digit_layers,
    distort_ids,
    ground_mesh,
    near_view,
    noise_texture,
    spread,
)
from models.synthetic.lens import ViewCamera
from models.synthetic.look_uniforms import (
    automatic_gain,
    ground_uniforms,
    light_arrays,
    shared_uniforms,
    sky_uniforms,
)
from models.synthetic.looks import Look
from models.synthetic.people import PeopleLibrary
from models.synthetic.scene import Props, crowd_texture

SHADERS = Path(__file__).with_name("shaders")
CELL = (32, 64)  # pixels of one man's cell in the area atlas
ATLAS_COLUMNS, ATLAS_ROWS = 32, 8
PROP_LAYOUT, PROP_FIELDS = "3f 3f 3f 3f", ("in_pos", "in_nrm", "in_col", "in_uv")
MAX_FIGURES = ATLAS_COLUMNS * ATLAS_ROWS


class Renderer:
    """Holds the GL context. ``set_game`` loads a look; ``draw`` makes one exposure."""

    def __init__(
        self, library: PeopleLibrary, samples: int = 4, scale: float = 1.0, anisotropy: float = 16.0
    ) -> None:
        # machines with several GPUs: processes spread over the first RENDER_GPUS of them
        gpu = os.getpid() % max(1, int(os.environ.get("RENDER_GPUS", "1")))
        self.ctx: Any = moderngl.create_context(standalone=True, backend="egl", device_index=gpu)  # type: ignore[arg-type]
        self.ctx.gc_mode = "auto"
        self.samples, self.scale, self.lib, self.anisotropy = samples, scale, library, anisotropy
        common = "#version 330\n" + (SHADERS / "common.glsl").read_text()
        src = {p.name: p.read_text() for p in SHADERS.glob("*.vert")} | {
            p.name: p.read_text() for p in SHADERS.glob("*.frag")
        }
        make = lambda v, f: self.ctx.program(  # noqa: E731
            vertex_shader="#version 330\n" + src[v], fragment_shader=common + src[f]
        )
        self.p_ground, self.p_sky = make("ground.vert", "ground.frag"), make("full.vert", "sky.frag")
        self.p_person, self.p_flat = make("person.vert", "person.frag"), make("person.vert", "flat.frag")
        self.p_ident, self.p_prop = make("person.vert", "ident.frag"), make("prop.vert", "prop.frag")
        self.p_prop_id, self.p_post = make("ground.vert", "prop_id.frag"), make("full.vert", "post.frag")
        self.p_disc = make("disc.vert", "disc.frag")
        self.size: tuple[int, int] | None = None
        self.multi: Any = None  # framebuffers and textures, made when the picture's size is known
        self.scene: Any = None
        self.shadow: Any = None
        self.ident: Any = None
        self.final: Any = None
        self.palette: Any = None
        self.crowd: Any = None
        self._load_people()
        self.noise = self._texture(noise_texture())
        digits = digit_layers()
        self.digits = self.ctx.texture_array(
            (digits.shape[2], digits.shape[1], len(digits)), 2, digits.tobytes()
        )
        self.digits.build_mipmaps()
        quad = self.ctx.buffer(np.array([-1, -1, 3, -1, -1, 3], "f4").tobytes())
        self.v_sky = self.ctx.vertex_array(self.p_sky, [(quad, "2f", "in_pos")])
        self.v_post = self.ctx.vertex_array(self.p_post, [(quad, "2f", "in_pos")])
        self.paint: Any = None
        self.atlas = self.ctx.framebuffer(
            [self.ctx.texture((CELL[0] * ATLAS_COLUMNS, CELL[1] * ATLAS_ROWS), 1)]
        )
        self.v_props: Any = None
        self.extras: list[Any] = []

    def _texture(self, image: np.ndarray, repeat: bool = True, aniso: float = 1.0) -> moderngl.Texture:
        t = self.ctx.texture(
            (image.shape[1], image.shape[0]), image.shape[2], np.ascontiguousarray(image).tobytes()
        )
        t.repeat_x = t.repeat_y = repeat
        t.build_mipmaps()
        t.filter = (moderngl.LINEAR_MIPMAP_LINEAR, moderngl.LINEAR)
        t.anisotropy = aniso
        return t

    def _load_people(self) -> None:
        lib, ctx = self.lib, self.ctx
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
        self.t_verts, self.t_norms = textures
        vertex = ctx.buffer(
            np.hstack([lib.part[:, None].astype("f4"), lib.uv.astype("f4")]).astype("f4").tobytes()
        )
        index = ctx.buffer(lib.faces.astype("i4").tobytes())
        self.instances = ctx.buffer(reserve=MAX_FIGURES * 80)
        fields = ("i_pos", "i_pose", "i_info", "i_box", "i_cell")

        def array(program: moderngl.Program) -> moderngl.VertexArray:
            used = [f for f in fields if f in program]
            mesh = [f for f in ("a_part", "a_uv") if f in program]
            layout = " ".join("4f" if f in program else "16x" for f in fields) + "/i"
            lay_v = " ".join(["1f" if "a_part" in program else "4x", "2f" if "a_uv" in program else "8x"])
            bind: list[tuple[Any, ...]] = [(self.instances, layout, *used)]
            if mesh:
                bind.insert(0, (vertex, lay_v, *mesh))
            return ctx.vertex_array(program, bind, index, index_element_size=4)

        turn = np.linspace(0, 2 * np.pi, 11)
        rim = np.stack([np.cos(turn), np.sin(turn)], 1)
        fan = np.stack([np.zeros((10, 2)), rim[:-1], rim[1:]], 1)
        disc = ctx.buffer(fan.astype("f4").tobytes())
        self.v_disc = ctx.vertex_array(
            self.p_disc, [(disc, "2f", "in_disc"), (self.instances, "4f 4f 48x/i", "i_pos", "i_pose")]
        )
        self.v_person, self.v_flat, self.v_ident = (
            array(self.p_person),
            array(self.p_flat),
            array(self.p_ident),
        )
        names = lib.part_names
        order = ("jersey_front", "jersey_back", "sleeve", "pants", "sock", "helmet")
        self.codes = [names.index(n) if n in names else -1 for n in order]

    def set_people(self, library: PeopleLibrary) -> None:
        """Draw these people from now on (``set_game`` comes after)."""
        if library is not self.lib:
            self.t_verts.release()
            self.t_norms.release()
            self.lib = library
            self._load_people()

    def _resize(self, width: int, height: int) -> None:
        if self.size == (width, height):
            return
        if self.size is not None:
            for fbo in (self.multi, self.scene, self.shadow, self.ident, self.final):
                fbo.release()
        self.size = (width, height)
        ctx, w, h = self.ctx, int(width * MARGIN * self.scale), int(height * MARGIN * self.scale)
        self.wide = (w, h)
        self.scene_tex = ctx.texture((w, h), 4, dtype="f2")
        self.scene_tex.repeat_x = self.scene_tex.repeat_y = False
        self.scene_tex.filter = (moderngl.LINEAR_MIPMAP_LINEAR, moderngl.LINEAR)
        self.scene = ctx.framebuffer([self.scene_tex], ctx.depth_renderbuffer((w, h)))
        self.multi = (
            self.scene
            if self.samples == 0
            else ctx.framebuffer(
                [ctx.renderbuffer((w, h), 4, samples=self.samples, dtype="f2")],
                ctx.depth_renderbuffer((w, h), samples=self.samples),
            )
        )
        half = (max(w // 2, 1), max(h // 2, 1))
        self.shadow_tex = ctx.texture(half, 4)
        self.shadow = ctx.framebuffer([self.shadow_tex])
        self.ident = ctx.framebuffer([ctx.texture(half, 1, dtype="u2")], ctx.depth_renderbuffer(half))
        self.final = ctx.framebuffer([ctx.renderbuffer((width, height), 3)])

    @staticmethod
    def _set(program: Any, **values: Any) -> None:
        for name, value in values.items():
            if name in program:
                u = program[name]
                if isinstance(value, np.ndarray):
                    u.write(np.ascontiguousarray(value, "f4").tobytes())
                else:
                    u.value = value

    def set_game(self, look: Look, props: Props, ppy: float = 30.0) -> dict[str, Any]:
        """Load a look; returns what was painted (mark truth)."""
        tex, extent, drawn = paint_field(look.field, ppy)
        for old in (self.paint, self.crowd):
            if old is not None:
                old.release()
        self.paint = self._texture(tex, repeat=False, aniso=self.anisotropy)
        self.crowd = self._texture(crowd_texture(look))
        self.look = look
        ground = ground_mesh(look.field.standard, look.field.crown_yd)
        vbo = self.ctx.buffer(ground.astype("f4").tobytes())
        self.v_ground = self.ctx.vertex_array(self.p_ground, [(vbo, "3f", "in_pos")])
        self.v_props = self.v_props_id = self.v_mesh = None
        if len(props.solid):
            b = self.ctx.buffer(props.solid.astype("f4").tobytes())
            self.v_props = self.ctx.vertex_array(self.p_prop, [(b, PROP_LAYOUT, *PROP_FIELDS)])
            self.v_props_id = self.ctx.vertex_array(self.p_prop_id, [(b, "3f 36x", "in_pos")])
        if len(props.mesh):
            b = self.ctx.buffer(props.mesh.astype("f4").tobytes())
            self.v_mesh = self.ctx.vertex_array(self.p_prop, [(b, PROP_LAYOUT, *PROP_FIELDS)])
        self.light_dirs, self.n_lights = light_arrays(look)[0], len(look.light.directions)
        self.gain = automatic_gain(look)
        shared = shared_uniforms(look)
        for p in (self.p_ground, self.p_person, self.p_prop, self.p_sky, self.p_flat, self.p_ident):
            self._set(p, u_scale=float(self.lib.scale_yd), **shared)
        usual = {"flat": 0.0, "levels": 0, "stripes": 1.0}
        plain = tuple(float(look.extra.get(name, value)) for name, value in usual.items())
        self._set(self.p_person, u_codes=self.codes, u_panel=tuple(self.lib.panel_yd), u_plain=plain)
        self._set(self.p_ground, u_extent=extent, **ground_uniforms(look))
        self._set(self.p_prop, u_stand_light=0.35 if look.light.night else 1.0)
        self._set(self.p_sky, **sky_uniforms(look))
        return drawn

    def draw(
        self,
        cam: ViewCamera,
        figures: Figures,
        cam_next: ViewCamera | None = None,
        extras: Sequence[tuple[np.ndarray, int]] = (),
    ) -> Exposure:
        """One exposure; ``cam_next`` is the camera as the shutter closes (motion blur of pan and zoom).

        ``extras``: moving things (rows as in :class:`Props`) each with the id (over 65000) to mark its
        pixels.
        """
        self._resize(cam.width_px, cam.height_px)
        everyone = len(figures)
        keep = np.nonzero(near_view(cam, figures))[0][:MAX_FIGURES]
        figures = Figures(figures.place[keep], figures.pose[keep], figures.look[keep], figures.palette[keep])
        n = len(keep)
        boxes = body_boxes(self.lib, cam, figures)
        clip = cam.clip_matrix(MARGIN)
        self._upload(figures, boxes, cam, n)
        self._bind_common(cam, clip)
        self._load_extras(extras)
        self._shadow_pass(n)
        self._scene_pass(cam, n)
        ids = self._ident_pass(cam, n)
        area = self._area_pass(boxes, n)
        visible = np.bincount(ids[(ids > 0) & (ids <= n)].ravel(), minlength=n + 1)[1 : n + 1] * 4.0
        picture = self._post(cam, cam_next or cam)
        names = np.arange(65536, dtype=np.uint16)
        names[1 : n + 1] = keep + 1
        wide = lambda v, fill: spread(v, keep, everyone, fill)  # noqa: E731
        return Exposure(
            picture, names[ids], wide(area, 0.0), wide(np.minimum(visible, area), 0.0), wide(boxes, np.nan)
        )

    def _upload(self, figures: Figures, boxes: np.ndarray, cam: ViewCamera, n: int) -> None:
        row = np.zeros((n, 20), "f4")
        row[:, 0:4], row[:, 4:8] = figures.place[:n], figures.pose[:n]
        row[:, 8], row[:, 9], row[:, 10], row[:, 11] = (
            np.arange(n),
            figures.look[:n, 0],
            figures.look[:n, 1],
            np.arange(n) + 1,
        )
        b = np.nan_to_num(boxes[:n], nan=0.0)
        size = np.array([cam.width_px, cam.height_px]) * MARGIN
        centre = np.array([(cam.width_px - 1) / 2, (cam.height_px - 1) / 2])
        lo, hi = (b[:, :2] - centre) / size * 2, (b[:, 2:] - centre) / size * 2
        row[:, 12], row[:, 13], row[:, 14], row[:, 15] = lo[:, 0], -hi[:, 1], hi[:, 0], -lo[:, 1]
        k = np.arange(n)
        cx, cy = (k % ATLAS_COLUMNS) / ATLAS_COLUMNS * 2 - 1, (k // ATLAS_COLUMNS) / ATLAS_ROWS * 2 - 1
        row[:, 16], row[:, 17], row[:, 18], row[:, 19] = cx, cy, cx + 2 / ATLAS_COLUMNS, cy + 2 / ATLAS_ROWS
        self.instances.write(row.tobytes())
        palette = np.ascontiguousarray(figures.palette[:n].reshape(max(n, 0), 24, 3))
        if self.palette is not None:
            self.palette.release()
        self.palette = self.ctx.texture(
            (24, max(n, 1)), 3, palette.tobytes() if n else b"\0" * 72, alignment=1
        )
        self.palette.filter = (moderngl.NEAREST, moderngl.NEAREST)

    def _load_extras(self, extras: Sequence[tuple[np.ndarray, int]]) -> None:
        for item in self.extras:
            for part in item[:3]:
                part.release()
        self.extras = []
        for rows, ident in extras:
            if len(rows):
                b = self.ctx.buffer(np.ascontiguousarray(rows, "f4").tobytes())
                self.extras.append(
                    (
                        self.ctx.vertex_array(self.p_prop, [(b, PROP_LAYOUT, *PROP_FIELDS)]),
                        self.ctx.vertex_array(self.p_prop_id, [(b, "3f 36x", "in_pos")]),
                        b,
                        ident,
                    )
                )

    def _bind_common(self, cam: ViewCamera, clip: np.ndarray) -> None:
        for slot, tex in enumerate(
            (
                self.noise,
                self.paint,
                self.shadow_tex,
                self.palette,
                self.digits,
                self.t_verts,
                self.t_norms,
                self.crowd,
            )
        ):
            tex.use(slot)
        drawn = (
            self.p_ground,
            self.p_person,
            self.p_flat,
            self.p_ident,
            self.p_prop,
            self.p_prop_id,
            self.p_disc,
        )
        for p in drawn:
            self._set(p, u_clip=clip.T, u_eye=tuple(cam.centre))
        light = self.look.light
        soft = light.softness_px * cam.focal_px / 1500.0
        w, h = self.wide
        self._set(self.p_ground, u_shadow_par=(1.0 / w, 1.0 / h, soft, light.contact))

    def _shadow_pass(self, n: int) -> None:
        ctx = self.ctx
        self.shadow.use()
        self.shadow.color_mask = (True, True, True, True)
        self.shadow.clear()
        ctx.disable(moderngl.DEPTH_TEST | moderngl.CULL_FACE)
        if n == 0:
            return
        for i in range(self.n_lights):
            self.shadow.color_mask = tuple(j == i for j in range(4))
            self._set(self.p_flat, u_mode=1, u_light=tuple(float(v) for v in self.light_dirs[i]))
            self.v_flat.render(instances=n)
        self.shadow.color_mask = (False, False, False, True)
        self.v_disc.render(instances=n)
        self.shadow.color_mask = (True, True, True, True)

    def _scene_pass(self, cam: ViewCamera, n: int) -> None:
        ctx = self.ctx
        self.multi.use()
        self.multi.clear(depth=1.0)
        ctx.enable(moderngl.DEPTH_TEST)
        self._set(self.p_person, u_mode=0)
        if n:
            self.v_person.render(instances=n)
        for item in self.extras:
            item[0].render()
        if self.v_props is not None:
            self.v_props.render()
        self.v_ground.render()  # nearest things first: the costly ground shader then runs only where it shows
        t = 0.5 * MARGIN / cam.focal_px
        self._set(self.p_sky, u_rot=cam.rotation().astype("f4"), u_tan=(cam.width_px * t, cam.height_px * t))
        self.v_sky.render()
        if self.v_mesh is not None:
            ctx.enable(moderngl.BLEND)
            self.v_mesh.render()
            ctx.disable(moderngl.BLEND)
        if self.multi is not self.scene:
            ctx.copy_framebuffer(self.scene, self.multi)
        if self.look.picture.bloom > 0:
            self.scene_tex.build_mipmaps(0, 6)

    def _ident_pass(self, cam: ViewCamera, n: int) -> np.ndarray:
        self.ident.use()
        self.ident.clear(depth=1.0)
        self.ctx.enable(moderngl.DEPTH_TEST)
        if self.v_props_id is not None:
            self._set(self.p_prop_id, u_id=PROP_ID)
            self.v_props_id.render()
        for item in self.extras:
            self._set(self.p_prop_id, u_id=item[3])
            item[1].render()
        if n:
            self._set(self.p_ident, u_mode=0)
            self.v_ident.render(instances=n)
        w, h = self.ident.size
        raw = np.frombuffer(self.ident.read(components=1, dtype="u2", alignment=1), np.uint16).reshape(h, w)[
            ::-1
        ]
        return distort_ids(raw, cam)

    def _area_pass(self, boxes: np.ndarray, n: int) -> np.ndarray:
        self.atlas.use()
        self.atlas.clear()
        if n == 0:
            return np.zeros(0)
        self.ctx.disable(moderngl.DEPTH_TEST)
        self._set(self.p_flat, u_mode=3)
        self.v_flat.render(instances=n)
        w, h = self.atlas.size
        raw = np.frombuffer(self.atlas.read(components=1, alignment=1), np.uint8).reshape(
            ATLAS_ROWS, CELL[1], ATLAS_COLUMNS, CELL[0]
        )
        share = (raw > 127).mean(axis=(1, 3)).reshape(-1)[:n]
        b = np.nan_to_num(boxes[:n], nan=0.0)
        return share * np.maximum(b[:, 2] - b[:, 0], 0) * np.maximum(b[:, 3] - b[:, 1], 0)

    def _post(self, cam: ViewCamera, later: ViewCamera) -> np.ndarray:
        pic = self.look.picture
        zoom = np.diag([later.focal_px / cam.focal_px, later.focal_px / cam.focal_px, 1.0])
        move = zoom @ (later.rotation() @ cam.rotation().T)
        corner = np.array([[0, 0, 1.0], [0.5 * cam.width_px / cam.focal_px, 0, 1.0]])
        moved = corner @ move.T
        shift = np.abs(moved[:, :2] / moved[:, 2:] - corner[:, :2]).max() * cam.focal_px
        self.final.use()
        self.ctx.disable(moderngl.DEPTH_TEST)
        self.scene_tex.use(0)
        self._set(
            self.p_post,
            u_scene=0,
            u_size=(float(cam.width_px), float(cam.height_px)),
            u_focal=cam.focal_px,
            u_k1=cam.k1,
            u_margin=MARGIN,
            u_move=move.T.astype("f4"),
            u_steps=int(np.clip(np.ceil(shift), 1, 16)),
            u_exposure=pic.exposure * self.gain,
            u_contrast=pic.contrast,
            u_saturation=pic.saturation,
            u_gamma=pic.gamma,
            u_vignette=pic.vignette,
            u_bloom=pic.bloom,
            u_white=tuple(pic.white_balance),
        )
        self.v_post.render()
        raw = np.frombuffer(self.final.read(components=3, alignment=1), np.uint8)
        return cv2.cvtColor(raw.reshape(cam.height_px, cam.width_px, 3)[::-1], cv2.COLOR_RGB2BGR)
