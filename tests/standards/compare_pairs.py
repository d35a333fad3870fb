"""Makes pairs of photos for the comparison to be scored on, and registers each with OpenCV's ORB and RANSAC.

usage: compare_pairs.py CAMERA_FILES PHOTOS STEREO OUT MOST

OUT gets pictures as PPM of at most 1024 px on the long side, and OUT/pairs.json, a list of
    name, set     "tuning" (what thresholds were set on) or "scored"
    group         "warped", "stereo", "boards" (a board of squares held near, the room far behind: no machine is like that),
                  "viewpoint", "other"
    a, b          the files
    changed       [x, y, across, down] in the first where something was changed, or null
    truth         {"map": nine numbers} | {"points": [[ax, ay, bx, by], ...]} | {"rows": true} (same line in both) | {}
    orb           nine numbers: OpenCV's map from the first to the second, or null where it finds none
At most MOST pairs of each set and group, if it is not 0.
"""

import json
import os
import sys

import cv2
import numpy as np
import pillow_heif
from PIL import Image, ImageOps

pillow_heif.register_heif_opener()
Image.MAX_IMAGE_PIXELS = None
LONG = 1024


def small(rgb, long=LONG):
    height, width = rgb.shape[:2]
    factor = long / max(height, width)
    if factor >= 1:
        return np.ascontiguousarray(rgb)
    size = (max(1, round(width * factor)), max(1, round(height * factor)))
    return cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)


def read(path, long=LONG):
    return small(np.asarray(ImageOps.exif_transpose(Image.open(path)).convert("RGB")), long)


def as_jpeg(rgb, quality):
    _, data = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    return cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1]


def another_pose(size, random):
    """What a second shot from nearly the same place does to a plane: turned, nearer, aside, leaning."""
    width, height = size
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float64)
    turn = np.radians(random.uniform(-5, 5))
    near = random.uniform(0.92, 1.1)
    middle = corners.mean(0)
    spin = near * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    moved = (corners - middle) @ spin.T + middle + random.uniform(-0.04, 0.04, 2) * [width, height]
    moved += random.uniform(-0.035, 0.035, (4, 2)) * [width, height]
    return cv2.getPerspectiveTransform(corners.astype(np.float32), moved.astype(np.float32))


def another_light(rgb, random):
    """More or less of it, falling from a side, of another colour; a sensor's noise and clipping."""
    linear = (rgb.astype(np.float32) / 255) ** 2.2
    height, width = rgb.shape[:2]
    y, x = np.mgrid[:height, :width].astype(np.float32)
    angle = random.uniform(0, 2 * np.pi)
    slope = (np.cos(angle) * (x / width - 0.5) + np.sin(angle) * (y / height - 0.5)) * random.uniform(0.2, 0.7)
    linear *= random.uniform(0.6, 1.5) * (1 + slope)[..., None]
    linear *= random.uniform(0.93, 1.07, 3).astype(np.float32)
    grey = np.clip(linear, 0, 1) ** (1 / 2.2) * 255
    grey += random.normal(0, random.uniform(1, 4), rgb.shape)
    return np.clip(grey + 0.5, 0, 255).astype(np.uint8)


def scratch(rgb, random):
    """A line of 6 to 15 hundredths of the picture, 2 to 4 px wide, as bright or dark as its place allows."""
    height, width = rgb.shape[:2]
    long = max(height, width)
    for _ in range(200):
        at = np.array([random.uniform(0.25, 0.75) * width, random.uniform(0.25, 0.75) * height])
        way, points = random.uniform(0, 2 * np.pi), [at.copy()]
        for _ in range(8):
            way += random.uniform(-0.35, 0.35)
            at = at + np.array([np.cos(way), np.sin(way)]) * long * random.uniform(0.06, 0.15) / 8
            points.append(at.copy())
        points = np.array(points)
        mask = np.zeros((height, width), np.uint8)
        cv2.polylines(mask, [np.round(points * 8).astype(np.int32)], False, 255, int(random.integers(2, 5)), cv2.LINE_AA, 3)
        under = rgb[mask > 128].astype(np.float32)
        lightness = under @ [0.299, 0.587, 0.114]
        if len(under) < 60 or lightness.std() > 30:
            continue
        colour = np.full(3, 45.0) if lightness.mean() > 125 else np.array([205.0, 205.0, 200.0])
        if abs(colour.mean() - lightness.mean()) < 60:
            continue
        cover = (mask.astype(np.float32) / 255 * random.uniform(0.7, 1.0))[..., None]
        x, y, w, h = cv2.boundingRect((mask > 64).astype(np.uint8))
        return np.clip(rgb * (1 - cover) + colour * cover, 0, 255).astype(np.uint8), [x, y, w, h]
    return None


def gone(rgb, random):
    """A part that is not there any more: a round place filled from its surroundings."""
    height, width = rgb.shape[:2]
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    for _ in range(200):
        radius = int(random.integers(16, 34))
        x, y = int(random.uniform(0.25, 0.75) * width), int(random.uniform(0.25, 0.75) * height)
        part = grey[y - radius : y + radius, x - radius : x + radius].astype(np.float32)
        if part.std() < 28:
            continue
        mask = np.zeros((height, width), np.uint8)
        cv2.circle(mask, (x, y), radius, 255, -1)
        filled = cv2.inpaint(np.ascontiguousarray(rgb), mask, 3, cv2.INPAINT_TELEA)
        change = np.abs(filled.astype(np.float32) - rgb)[mask > 0].mean()
        if change > 18:
            return filled, [x - radius, y - radius, 2 * radius, 2 * radius]
    return None


def orb(a, b):
    """OpenCV's usual way: ORB, both ways the best, RANSAC at 5 px."""
    finder = cv2.ORB_create(2000)
    (ka, da), (kb, db) = (finder.detectAndCompute(cv2.cvtColor(p, cv2.COLOR_RGB2GRAY), None) for p in (a, b))
    if da is None or db is None:
        return None
    pairs = cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True).match(da, db)
    if len(pairs) < 15:
        return None
    here = np.float32([ka[m.queryIdx].pt for m in pairs])
    there = np.float32([kb[m.trainIdx].pt for m in pairs])
    cv2.setRNGSeed(1)
    found, fit = cv2.findHomography(here, there, cv2.RANSAC, 5.0)
    if found is None or int(fit.sum()) < 15:
        return None
    return found.ravel().tolist()


class Made:
    def __init__(self, out, most):
        self.out, self.most, self.pairs, self.count = out, most, [], {}

    def room(self, where, group):
        return not self.most or self.count.get((where, group), 0) < self.most

    def add(self, name, where, group, a, b, changed, truth):
        if not self.room(where, group):
            return
        self.count[where, group] = self.count.get((where, group), 0) + 1
        files = []
        for side, rgb in (("a", a), ("b", b)):
            file = f"{len(self.pairs):03}-{side}.ppm"
            with open(os.path.join(self.out, file), "wb") as stream:
                stream.write(f"P6 {rgb.shape[1]} {rgb.shape[0]} 255\n".encode())
                stream.write(np.ascontiguousarray(rgb).tobytes())
            files.append(file)
        self.pairs.append(
            {"name": name, "set": where, "group": group, "a": files[0], "b": files[1], "changed": changed, "truth": truth, "orb": orb(a, b)}
        )


def warped(made, name, where, rgb, number, seed):
    """The same picture in another pose and light: untouched, scratched, or with a part gone, in turn."""
    if not made.room(where, "warped"):
        return
    random = np.random.default_rng([seed, number])
    changed, scene = None, rgb
    kind = ("none", "scratch", "none", "gone")[number % 4]
    if kind != "none":
        done = (scratch if kind == "scratch" else gone)(rgb, random)
        if done is None:
            kind = "none"
        else:
            scene, changed = done
    height, width = rgb.shape[:2]
    pose = another_pose((width, height), random)
    # Around the picture there is more of the world, not black.
    other = cv2.warpPerspective(scene, pose, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    first = as_jpeg(rgb, 88)
    second = as_jpeg(another_light(other, random), int(random.integers(75, 92)))
    made.add(f"{name}: {kind}", where, "warped", first, second, changed, {"map": pose.ravel().tolist()})


def stereo(made, name, where, left, right, truth, seed, group="stereo"):
    """As it is, and with a scratch in the left one."""
    made.add(f"{name}: none", where, group, left, right, None, truth)
    done = scratch(left, np.random.default_rng([seed, 5]))
    if done is not None:
        made.add(f"{name}: scratch", where, group, done[0], right, done[1], truth)


def true_points(disparity, step, valid, width):
    points = []
    for y in range(step, disparity.shape[0] - step, step):
        for x in range(step, disparity.shape[1] - step, step):
            d = float(disparity[y, x])
            if valid(d) and 0 <= x - d < width:
                points.append([x, y, x - d, y])
    return points


def corners(grey):
    found, at = cv2.findChessboardCorners(grey, (9, 6))
    if not found:
        return None
    return cv2.cornerSubPix(grey, at, (5, 5), (-1, -1), (3, 30, 0.01)).reshape(-1, 2)


def boards(made, folder):
    for number in ("01", "02", "03", "04", "05", "06", "07", "08", "09", "11", "12", "13", "14"):
        left, right = (read(os.path.join(folder, f"{side}{number}.jpg")) for side in ("left", "right"))
        here, there = (corners(cv2.cvtColor(p, cv2.COLOR_RGB2GRAY)) for p in (left, right))
        truth = {}
        if here is not None and there is not None:
            # The board may be counted from its other end.
            if np.dot(here[-1] - here[0], there[-1] - there[0]) < 0:
                there = there[::-1]
            truth = {"points": np.hstack([here, there]).tolist()}
        stereo(made, f"board {number}", "tuning" if number < "05" else "scored", left, right, truth, 300 + int(number), "boards")


def main(camera, photos, pairs, out, most):
    os.makedirs(out, exist_ok=True)
    made = Made(out, int(most))
    seen, number = set(), 0
    for base, _, names in sorted(os.walk(camera)):
        for name in sorted(names):
            try:
                picture = Image.open(os.path.join(base, name))
                if not 1000 <= max(picture.size) <= 7000:
                    continue
                rgb = read(os.path.join(base, name))
            except Exception as why:  # meant to be broken
                print(f"{name}: {why}", file=sys.stderr)
                continue
            look = cv2.resize(rgb, (16, 16), interpolation=cv2.INTER_AREA).tobytes()
            if look not in seen and min(rgb.shape[:2]) >= 400:
                seen.add(look)
                warped(made, name, "tuning", rgb, number, 11)
                number += 1
    files = [n for n in sorted(os.listdir(photos)) if n.endswith(".jpg")]
    files = [n for n in files if min(np.array(Image.open(os.path.join(photos, n)).size) / (600, 400)) >= 1]
    for number, name in enumerate(files):
        if made.room("scored", "warped"):
            warped(made, name, "scored", read(os.path.join(photos, name)), number, 23)

    rooms = sorted({n.rsplit("_", 1)[0] for n in os.listdir(os.path.join(pairs, "rooms"))})
    for number, name in enumerate(rooms):
        # Rectifying left streaks at their edges.
        left, right = (read(os.path.join(pairs, "rooms", f"{name}_{side}.png"))[36:-36, 40:-40] for side in ("left", "right"))
        where = "tuning" if name in ("bedroom_chair", "desk", "toy", "corridor") else "scored"
        stereo(made, name, where, left, right, {"rows": True}, 100 + number)
    folder = os.path.join(pairs, "motorcycle")
    left, right = (read(os.path.join(folder, f"motorcycle_{side}.png")) for side in ("left", "right"))
    disparity = np.load(os.path.join(folder, "motorcycle_disp.npz"))["arr_0"]
    stereo(made, "motorcycle", "scored", left, right, {"points": true_points(disparity, 8, np.isfinite, left.shape[1])}, 200)
    folder = os.path.join(pairs, "samples")
    left, right = (read(os.path.join(folder, f"aloe{side}.jpg")) for side in "LR")
    factor = left.shape[1] / Image.open(os.path.join(folder, "aloeL.jpg")).size[0]
    disparity = cv2.resize(np.asarray(Image.open(os.path.join(folder, "aloeGT.png"))).astype(np.float32), left.shape[1::-1], interpolation=cv2.INTER_NEAREST)
    stereo(made, "aloe", "tuning", left, right, {"points": true_points(disparity * factor, 12, lambda d: d > 0, left.shape[1])}, 201)
    boards(made, folder)
    for name in ("images_heif_other_nokia_stereo_1200x800", "images_heif_other_spatial_photo"):
        both = pillow_heif.open_heif(os.path.join(camera, "pillow-heif", f"{name}.heic"))
        left, right = (small(np.asarray(both[n].to_pillow().convert("RGB"))) for n in (0, 1))
        # Both stand among the warped tuning pairs too.
        stereo(made, name, "tuning", left, right, {}, 210)
    for first, second in (("leuvenA.jpg", "leuvenB.jpg"), ("graf1.png", "graf3.png")):
        made.add(first, "scored", "viewpoint", read(os.path.join(folder, first)), read(os.path.join(folder, second)), None, {})
    # Different things altogether: to be refused.
    for number in range(0, min(len(files) - 1, 40), 2):
        if made.room("scored", "other"):
            a, b = (read(os.path.join(photos, files[number + n])) for n in (0, 1))
            made.add(f"{files[number]} and another", "scored", "other", a, b, None, {})
    with open(os.path.join(out, "pairs.json"), "w") as stream:
        json.dump({"opencv": cv2.__version__, "pairs": made.pairs}, stream, indent=1)


if __name__ == "__main__":
    main(*sys.argv[1:])
