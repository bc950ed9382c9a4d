"""The picture of a crop: drawn with many samples a pixel or with one, exposed over many moments, kept on the graphics card until it is done."""
import moderngl
import numpy as np

from scene import Canvas

SCREEN = """#version 330
in vec2 p; out vec2 u; void main() { u = 0.5 * p + 0.5; gl_Position = vec4(p, 0.0, 1.0); }"""
SHOW = """#version 330
in vec2 u; uniform sampler2D picture; uniform vec4 window; uniform float gamma; uniform float share; out vec4 o;
void main() { o = vec4(pow(texture(picture, (u - 0.5) * window.xy + window.zw).rgb, vec3(gamma)) * share, 1.0); }"""


class CropCanvas(Canvas):
    """A square of `size` pixels."""

    def __init__(self, size, samples=4):
        self.shown = self.size = size, size
        self.ctx = c = moderngl.create_context(standalone=True, backend="egl")
        c.gc_mode = "auto"
        c.enable(moderngl.DEPTH_TEST)
        c.blend_func = moderngl.SRC_ALPHA, moderngl.ONE_MINUS_SRC_ALPHA
        self._program(c)
        target = lambda n: c.framebuffer([c.renderbuffer(self.size, 4, samples=n)], c.depth_renderbuffer(self.size, samples=n))
        self.targets = {n: (target(n), target(n)) for n in (0, samples)}
        self.samples = samples
        self.resolved = c.texture(self.size, 4)
        self.resolved.filter = moderngl.NEAREST, moderngl.NEAREST
        self.resolve = c.framebuffer([self.resolved])
        self.light = c.framebuffer([c.texture(self.size, 4, dtype="f4")])
        self.screen = c.program(vertex_shader=SCREEN, fragment_shader=SHOW)
        corners = c.buffer(np.array([-1, -1, 1, -1, -1, 1, 1, 1], "f4").tobytes())
        self.whole = c.vertex_array(self.screen, [(corners, "2f", "p")])
        self.smooth(True)

    def smooth(self, on):
        """Many samples a pixel, or one, as a picture looks that is larger than the crop read from it."""
        self.still, self.moving = self.targets[self.samples if on else 0]
        self.has_still = False

    def paint(self, texture, window, gamma=1.0, share=1.0):
        """A picture over all of the target in use."""
        texture.use(0)
        self.screen["window"].value, self.screen["gamma"].value, self.screen["share"].value = tuple(window), gamma, share
        self.ctx.disable(moderngl.DEPTH_TEST)
        self.whole.render(moderngl.TRIANGLE_STRIP)
        self.ctx.enable(moderngl.DEPTH_TEST)

    def expose(self, count, draw, gamma):
        """The mean of `count` drawings, as floats 0 to 1; light adds up in powers of `gamma`."""
        self.light.use()
        self.light.clear(0, 0, 0, 0)
        for i in range(count):
            draw(i)
            self.ctx.copy_framebuffer(self.resolve, self.moving)
            self.light.use()
            self.ctx.enable(moderngl.BLEND)
            self.ctx.blend_func = moderngl.ONE, moderngl.ONE
            self.paint(self.resolved, (1, 1, 0.5, 0.5), gamma, 1 / count)
            self.ctx.disable(moderngl.BLEND)
            self.ctx.blend_func = moderngl.SRC_ALPHA, moderngl.ONE_MINUS_SRC_ALPHA
        data = np.frombuffer(self.light.read(components=3, dtype="f4"), np.float32).reshape(*self.size, 3)[::-1]
        return np.clip(data, 0, 1) ** (1 / gamma)

    def shown_share(self, mesh, hide):
        """What share of a mesh's pixels nothing that `hide` draws is before, and how many that is."""
        target = self.targets[0][1]
        counts = []
        for cover in (False, True):
            target.use()
            target.clear(0, 0, 0, 1.0)
            if cover:
                hide()
            query = self.ctx.query(samples=True)
            with query:
                mesh()
            counts.append(query.samples)
        return counts[1] / max(counts[0], 1), counts[1]
