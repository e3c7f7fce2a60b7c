"""Independent simulator of periapical radiographs with known 3-D truth.

It shares no code with the package, so that the package can be measured against it. Path lengths through triangle meshes:
gvxr (OpenGL ray casting; runs without GPU or display on EGL with a software renderer). Spectrum: spekpy. Attenuation:
xraylib. Compositions and densities are round numbers from memory: the contrast is realistic, the geometry is exact.

World, in mm: the tooth's axis lies along z with the crown at +z, the source on +y at `sdd` from the detector, the detector
in the plane y = -`odd`. Image row 0 is the top (+z) and columns grow with +x, so the image is seen from the detector's side.
Pixel centres lie at whole (row, col); world x = z = 0 falls on ((rows - 1) / 2, (cols - 1) / 2).
"""

import struct
import zlib

import numpy as np


# ---------------------------------------------------------------------------------------------------- geometry


def arc_length(points):
    """Arc length from the first point to each point of a polyline."""
    return np.r_[0, np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))]


def at_arc(points, arc, where):
    """The points of a polyline at the given arc lengths."""
    return np.column_stack([np.interp(where, arc, points[:, k]) for k in range(3)])


def frames(points):
    """Tangents and two normals along a polyline, turned as little as possible from point to point."""
    tangent = np.gradient(points, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1)[:, None]
    start = np.array([0.0, 1, 0]) if abs(tangent[0, 1]) < 0.9 else np.array([1.0, 0, 0])
    normal = np.empty_like(points)
    normal[0] = np.cross(tangent[0], start)
    normal[0] /= np.linalg.norm(normal[0])
    for i in range(1, len(points)):
        v = normal[i - 1] - tangent[i] * (normal[i - 1] @ tangent[i])
        normal[i] = v / np.linalg.norm(v)
    return tangent, normal, np.cross(tangent, normal)


def tube(points, radii, sides=64):
    """Closed mesh of circular sections swept along a polyline: vertices (V, 3), faces (F, 3) wound outwards, flat ends.

    The polygon is enlarged to the area of the circle, so that path lengths are right on average.
    """
    points = np.asarray(points, float)
    radii = np.broadcast_to(np.asarray(radii, float), (len(points),)).copy()
    radii *= np.sqrt(2 * np.pi / (sides * np.sin(2 * np.pi / sides)))
    _, normal, binormal = frames(points)
    angle = 2 * np.pi * np.arange(sides) / sides
    ring = np.cos(angle)[None, :, None] * normal[:, None] + np.sin(angle)[None, :, None] * binormal[:, None]
    vertices = (points[:, None] + radii[:, None, None] * ring).reshape(-1, 3)
    faces, k = [], np.arange(sides)
    for i in range(len(points) - 1):
        a0, a1 = i * sides + k, i * sides + (k + 1) % sides
        b0, b1 = a0 + sides, a1 + sides
        faces += [np.c_[a0, a1, b1], np.c_[a0, b1, b0]]
    vertices = np.vstack([vertices, points[0], points[-1]])
    first, last = len(vertices) - 2, len(vertices) - 1
    end = (len(points) - 1) * sides
    faces += [
        np.c_[np.full(sides, first), (k + 1) % sides, k],
        np.c_[np.full(sides, last), end + k, end + (k + 1) % sides],
    ]
    return vertices, np.vstack(faces).astype(int)


def turn(points, horizontal_deg=0.0, vertical_deg=0.0):
    """Turn the object about z (horizontal angulation), then about x (vertical angulation)."""
    h, v = np.radians([horizontal_deg, vertical_deg])
    about_z = np.array([[np.cos(h), -np.sin(h), 0], [np.sin(h), np.cos(h), 0], [0, 0, 1]])
    about_x = np.array([[1, 0, 0], [0, np.cos(v), -np.sin(v)], [0, np.sin(v), np.cos(v)]])
    return np.asarray(points, float) @ (about_x @ about_z).T


# --------------------------------------------------------------------------------------------------- projection


class Projector:
    """A point source, a flat detector, and the simulator's ray caster between them; one per process."""

    def __init__(self, sdd=400.0, odd=8.0, pixel=0.02, cols=1000, rows=1500, oversampling=2):
        from gvxrPython3 import gvxr

        self.gvxr, self.sdd, self.odd, self.pixel, self.cols, self.rows = gvxr, sdd, odd, pixel, cols, rows
        self.oversampling = oversampling
        gvxr.createNewContext("EGL")
        gvxr.setSourcePosition(0, sdd - odd, 0, "mm")
        gvxr.usePointSource()
        gvxr.setMonoChromatic(40, "keV", 1)  # asked for by gvxr; only path lengths are taken from it
        gvxr.setDetectorPosition(0, -odd, 0, "mm")
        gvxr.setDetectorUpVector(0, 0, 1)
        gvxr.setDetectorNumberOfPixels(cols, rows)  # the software renderer takes at most 2048 a side
        gvxr.setDetectorPixelSize(pixel, pixel, "mm")
        # gvxr samples pixel centres without averaging over the pixel: shift the detector by parts of a pixel instead.
        k = (np.arange(oversampling) + 0.5) / oversampling - 0.5
        self.shifts = [(a * pixel, b * pixel) for a in k for b in k]

    def path_mm(self, label, vertices, faces):
        """Path length of every ray through one mesh, mm: (shifts, rows, cols)."""
        gvxr = self.gvxr
        gvxr.makeTriangularMesh(
            label, np.ravel(vertices).astype(float).tolist(), np.ravel(faces).astype(int).tolist(), "mm"
        )
        gvxr.setCompound(label, "H2O")
        gvxr.setDensity(label, 1, "g/cm3")
        gvxr.addPolygonMeshAsInnerSurface(label)
        out = []
        for dx, dz in self.shifts:
            gvxr.setDetectorPosition(dx, -self.odd, dz, "mm")
            cm = np.asarray(gvxr.computeLBuffer(label), np.float32)
            out.append(np.rot90(cm * 10.0, 2))  # row 0 is the bottom and column 0 the +x side in gvxr
        return np.stack(out)

    def pixels(self, points):
        """Exact pin-hole projection of world points to (row, col)."""
        points = np.asarray(points, float)
        t = self.sdd / (self.sdd - self.odd - points[:, 1])
        return np.c_[
            (self.rows - 1) / 2 - points[:, 2] * t / self.pixel, (self.cols - 1) / 2 + points[:, 0] * t / self.pixel
        ]


# ------------------------------------------------------------------------------------------------------ physics

# Mass fractions of sub-compounds and density in g/cm3; from memory, round numbers.
MATERIALS = {
    "dentine": ({"Ca10P6O26H2": 0.70, "H2O": 0.10, "C5H9NO2": 0.20}, 2.14),
    "water": ({"H2O": 1.0}, 1.00),
    "steel": ({"Fe": 0.72, "Cr": 0.18, "Ni": 0.10}, 7.9),
    "silicone": ({"C2H6OSi": 1.0}, 1.15),
    "bone": ({"Ca10P6O26H2": 0.25, "H2O": 0.45, "C5H9NO2": 0.30}, 1.3),
}


def attenuation_per_mm(material, energies_kev):
    """Linear attenuation coefficient per mm."""
    import xraylib

    parts, density = MATERIALS[material]
    return (
        np.array([sum(w * xraylib.CS_Total_CP(c, float(e)) for c, w in parts.items()) for e in energies_kev])
        * density
        / 10.0
    )


def transmission(paths_mm, kvp=65):
    """Energy-weighted transmission through materials of given path length, and the spectrum's mean energy in keV."""
    import spekpy

    tube_spectrum = spekpy.Spek(kvp=kvp, th=12, dk=1.0)
    tube_spectrum.filter("Al", 2.5)
    energy, fluence = tube_spectrum.get_spectrum()
    keep = energy > 10
    energy, fluence = energy[keep], fluence[keep]
    weight = fluence * energy  # a detector that integrates energy
    weight /= weight.sum()
    mu = {name: attenuation_per_mm(name, energy) for name in paths_mm}
    intensity = np.zeros(next(iter(paths_mm.values())).shape, np.float64)
    for j in range(len(energy)):
        intensity += weight[j] * np.exp(-sum(mu[name][j] * np.maximum(paths_mm[name], 0) for name in paths_mm))
    return intensity, float((weight * energy).sum())


def detector(intensity, pixel, blur_mm=0.025, photons=3000, seed=1):
    """12-bit film with metal bright: averaged over the pixel, blurred, with quantum noise of a fixed seed."""
    from scipy.ndimage import gaussian_filter

    if intensity.ndim == 3:
        intensity = intensity.mean(0)
    intensity = gaussian_filter(intensity, blur_mm / pixel)
    noisy = np.random.default_rng(seed).poisson(np.maximum(intensity, 0) * photons) / photons
    noisy = gaussian_filter(noisy, 0.5)
    exposure = np.clip(noisy * 4095, 0, 4095)
    return np.clip(4095 - exposure, 0, 4095).round().astype(np.uint16)


# -------------------------------------------------------------------------------------------------------- image


def write_png(path, image):
    """16-bit grey PNG; every row with the average filter, which made noisy films smallest of the five."""
    rows, cols = image.shape
    samples = image.astype(">u2").view(np.uint8).reshape(rows, -1).astype(int)
    left, up = np.zeros_like(samples), np.zeros_like(samples)
    left[:, 2:], up[1:] = samples[:, :-2], samples[:-1]
    lines = np.hstack([np.full((rows, 1), 3), (samples - (left + up) // 2) % 256]).astype(np.uint8).tobytes()
    packer = zlib.compressobj(9, zlib.DEFLATED, 15, 9, zlib.Z_FILTERED)

    def chunk(kind, body):
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = struct.pack(">IIBBBBB", cols, rows, 16, 0, 0, 0, 0)
    data = packer.compress(lines) + packer.flush()
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", data) + chunk(b"IEND", b""))
