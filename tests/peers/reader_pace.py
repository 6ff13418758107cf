"""The reader's method for a needle that turns, written with OpenCV and numpy, on the same pictures.

Argument: a folder with dial.json (set-up, true deflections) and the JPEG pictures, as reader-pace
leaves it. Prints: milliseconds of processor time a picture for reading, the same with decoding, and
the largest error in % of scale.
"""

import json
import pathlib
import sys
import time

import cv2
import numpy as np

cv2.setNumThreads(1)
ROWS_COARSE, ROUNDS = 24, 40


def lens(view):
    """Projection of points of the dial plane into the picture, by the set-up's view."""
    turn, _ = cv2.Rodrigues(np.array(view["turn"]))
    flat = np.column_stack([turn[:, 0], turn[:, 1], np.array(view["place"])])
    size = np.array(view["size"])
    middle, half, focal = (size - 1) / 2, size[0] / 2, np.exp(view["ln_focal"])

    def project(points):
        seen = np.concatenate([points, np.ones(points.shape[:-1] + (1,))], axis=-1) @ flat.T
        straight = seen[..., :2] * (focal / seen[..., 2:])
        out = (straight**2).sum(-1, keepdims=True) / half**2
        return middle + straight * (1 + view["radial"] * out)

    def back(pixel):
        straight = bent = np.array(pixel) - middle
        for _ in range(6):
            straight = bent / (1 + view["radial"] * (straight**2).sum() / half**2)
        point = np.linalg.solve(flat, np.append(straight / focal, 1.0))
        return point[:2] / point[2]

    return project, back


class Reader:
    def __init__(self, setup, pictures):
        radial = setup["geometry"]["radial"]
        project, back = lens(radial["view"])
        self.step, self.zero, self.full = radial["step"], setup["zero"], setup["full_scale"]
        hub = back(radial["pivot"])
        near = project(np.array([[0.0, 0.0], [1e-4, 0.0], [0.0, 1e-4]]))
        a, b = (near[1:] - near[0]) / 1e-4
        scale = np.sqrt(abs(a[0] * b[1] - a[1] * b[0]))
        plate = np.median(np.stack(pictures), axis=0).astype(np.uint8)
        self.tone = self.weights(pictures, plate)
        arc = (self.full - self.zero) * self.step
        beyond = np.clip(0.09 * abs(arc), 0.08, 0.245) * np.sign(arc)
        low, high = sorted((self.zero * self.step - beyond, self.full * self.step + beyond))
        reach = radial["reach"]
        self.along = np.arange(0.08 * reach, reach * 1.0 + 0.12 * scale, 2.0)
        self.angles = np.arange(low, high, 1.0 / reach)
        grid, radii = np.meshgrid(self.angles, self.along / scale)
        points = hub + np.stack([np.sin(grid) * radii, -np.cos(grid) * radii], axis=-1)
        self.points = project(points).astype(np.float32)
        self.plate = self.sample(plate, self.points)
        sound = cv2.remap(
            (plate.max(axis=2) < 252).astype(np.float32), self.points, None, cv2.INTER_NEAREST
        )
        self.sound = sound > 0
        contrast = np.stack([self.sample(p, self.points) for p in pictures]) - self.plate
        self.needle = np.median(contrast.max(axis=2)) + np.median(self.plate)
        grey = cv2.cvtColor(plate, cv2.COLOR_RGB2GRAY)
        self.grey = grey
        swept = np.zeros(grey.shape, np.uint8)
        swept[
            self.points[..., 1].clip(0, grey.shape[0] - 1).astype(int),
            self.points[..., 0].clip(0, grey.shape[1] - 1).astype(int),
        ] = 255
        swept = cv2.dilate(swept, np.ones((9, 9), np.uint8))
        self.corners = cv2.goodFeaturesToTrack(grey, 40, 0.02, 24, mask=255 - swept)
        if self.corners is None or len(self.corners) < 12:
            self.corners = cv2.goodFeaturesToTrack(grey, 40, 0.02, 24)
        self.trust = np.ones(len(self.along), bool)
        self.width = None
        widths = []
        for picture in pictures:
            rows, width, *_ = self.trace(picture, np.eye(2, 3))
            seen = np.full(len(self.along), np.nan)
            seen[rows] = width
            widths.append(seen)
        counts = np.isfinite(widths).sum(axis=0)
        self.trust = counts * 2 >= len(pictures) + 1
        with np.errstate(all="ignore"):
            self.width = np.nanmedian(np.where(self.trust, widths, np.nan), axis=0)

    @staticmethod
    def weights(pictures, plate):
        total = np.zeros(3)
        for picture in pictures:
            apart = np.abs(picture.astype(int) - plate)
            most = np.argsort(apart.sum(-1), axis=None)[-900:]
            total += (picture.astype(float) - plate).reshape(-1, 3)[most].sum(0)
        return (total / np.abs(total).sum()).astype(np.float32)

    def sample(self, picture, points):
        seen = cv2.remap(picture, points, None, cv2.INTER_LINEAR)
        return seen.astype(np.float32) @ self.tone

    def moved(self, picture):
        grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
        there, found, _ = cv2.calcOpticalFlowPyrLK(
            self.grey, grey, self.corners, None, winSize=(19, 19), maxLevel=1
        )
        found = found.ravel() == 1
        warp, _ = cv2.estimateAffinePartial2D(self.corners[found], there[found])
        return warp

    def light(self, seen, plate):
        """Gain with slopes and offset, robustly."""
        rows, columns = np.mgrid[-1 : 1 : seen.shape[0] * 1j, -1 : 1 : seen.shape[1] * 1j]
        model = np.stack([plate, plate * columns, plate * rows, np.ones_like(plate)], -1)
        model, wanted = model.reshape(-1, 4), seen.ravel()
        keep = np.isfinite(wanted)
        terms = np.array([1.0, 0, 0, 0])
        for wide in (24.0, 16.0, 10.0, 6.0, 4.0, 4.0):
            off = (wanted - model @ terms) / wide
            weight = np.where(keep & (np.abs(off) < 1), (1 - off**2) ** 2, 0.0)
            scaled = model * weight[:, None]
            terms = np.linalg.solve(
                scaled.T @ model + 1e-3 * np.eye(4), scaled.T @ wanted + 1e-3 * np.eye(4)[0]
            )
        return terms

    def trace(self, picture, warp):
        points = self.points
        if not np.allclose(warp, np.eye(2, 3)):
            points = cv2.transform(self.points, warp.astype(np.float32))
        every = max(1, len(self.along) // ROWS_COARSE)
        coarse = self.sample(picture, np.ascontiguousarray(points[::every, ::2]))
        plate = self.plate[::every, ::2]
        terms = self.light(coarse[:, ::4], plate[:, ::4])
        gain, offset = terms[0], terms[3]
        face = gain * plate + offset
        contrast = gain * self.needle + offset - face
        usable = (contrast > 8) & self.sound[::every, ::2] & self.trust[::every, None]
        occupied = np.where(usable, np.clip((coarse - face) / contrast, -0.5, 1.3), 0)
        weight = np.where(usable, contrast**2, 0)
        total = weight.sum(0)
        profile = np.where(
            total > 0.15 * total.max(), (weight * occupied).sum(0) / np.maximum(total, 1e-6), 0
        )
        peak = 2 * int(np.argmax(np.convolve(profile, [0.25, 0.5, 0.25], "same")))
        wide = int(0.14 * self.along[-1])
        low, high = max(0, peak - wide), min(len(self.angles), peak + wide)
        part = self.sample(picture, np.ascontiguousarray(points[:, low:high]))
        face = gain * self.plate[:, low:high] + offset
        contrast = gain * self.needle + offset - face
        occupied = np.where((contrast > 8) & self.sound[:, low:high], (part - face) / contrast, 0)
        middle, span = peak - low, 12
        core = occupied[:, max(0, middle - span) : middle + span]
        crest = core.argmax(1) + max(0, middle - span)
        height = core.max(1)
        columns = np.arange(occupied.shape[1])
        below = occupied < height[:, None] / 2
        left = np.where(below & (columns < crest[:, None]), columns, -1).max(1)
        right = np.where(below & (columns > crest[:, None]), columns, 10**6).min(1)
        good = (left >= 0) & (right < 10**6) & (height > 0.25) & (height < 1.8) & self.trust
        rows = np.nonzero(good)[0]
        half = height[rows] / 2

        def crossing(outside, inside):
            a, b = occupied[rows, outside], occupied[rows, inside]
            return outside + (half - a) / (b - a) * (inside - outside)

        start = crossing(left[rows], left[rows] + 1)
        end = crossing(right[rows], right[rows] - 1)
        pixels = self.along[rows] * (self.angles[1] - self.angles[0])
        width = (end - start) * pixels
        offset_px = ((start + end) / 2 - middle) * pixels
        if self.width is not None:
            like = np.abs(width / self.width[rows] - 1) < 0.5
            rows, width, offset_px = rows[like], width[like], offset_px[like]
        return rows, width, offset_px, peak

    def read(self, picture):
        rows, _, offset, peak = self.trace(picture, self.moved(picture))
        along = self.along[rows]
        slope, start = np.polyfit(along, offset, 1)
        for _ in range(8):
            off = offset - (start + slope * along)
            scale = max(1.4826 * np.median(np.abs(off)), 0.01)
            weight = np.clip(1 - (off / (4.7 * scale)) ** 2, 0, None) ** 2
            w, ws, wss = weight.sum(), (weight * along).sum(), (weight * along**2).sum()
            wd, wsd = (weight * offset).sum(), (weight * along * offset).sum()
            slope = (w * wsd - ws * wd) / (w * wss - ws * ws)
            start = (wd - slope * ws) / w
        angle = self.angles[peak] + np.arctan(slope)
        return (angle / self.step - self.zero) / (self.full - self.zero)


def decoded(path):
    return cv2.cvtColor(cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB)


folder = pathlib.Path(sys.argv[1])
about = json.loads((folder / "dial.json").read_text())
reader = Reader(about["setup"], [decoded(folder / name) for name in about["set_up"]])
names, truths = [name for name, _ in about["pictures"]], [truth for _, truth in about["pictures"]]
pictures = [decoded(folder / name) for name in names]
errors = [reader.read(picture) - truth for picture, truth in zip(pictures, truths)]


def pace(work):
    began = time.process_time()
    for index in range(ROUNDS):
        work(index % len(names))
    return (time.process_time() - began) / ROUNDS * 1e3


read = pace(lambda index: reader.read(pictures[index]))
whole = pace(lambda index: reader.read(decoded(folder / names[index])))
print(read, whole, 100 * max(map(abs, errors)))
