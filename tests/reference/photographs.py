"""Photographs made with Pillow, and what Pillow shows of them turned right. Usage: photographs.py FOLDER"""

import json
import sys
from pathlib import Path

from PIL import Image, ImageDraw, ImageOps

folder = Path(sys.argv[1])
folder.mkdir(parents=True, exist_ok=True)
plain = Image.new("RGB", (240, 160), (128, 128, 128))
pen = ImageDraw.Draw(plain)
for box, colour in [
    ((0, 0, 59, 59), (200, 30, 30)),
    ((180, 0, 239, 59), (30, 160, 30)),
    ((0, 100, 59, 159), (30, 30, 200)),
    ((180, 100, 239, 159), (250, 250, 250)),
]:
    pen.rectangle(box, fill=colour)

# Orientation, time, offset; the place goes into the GPS directory.
kinds = [("JPEG", "jpg", {"quality": 92}), ("JPEG", "progressive.jpg", {"quality": 92, "progressive": True}),
         ("JPEG", "grey.jpg", {}), ("PNG", "png", {}), ("WEBP", "webp", {"quality": 92}), ("WEBP", "lossless.webp", {"lossless": True})]
made = []
for kind, ending, options in kinds:
    for way in range(1, 9):
        exif = Image.Exif()
        exif[0x0112] = way
        exif[0x010F] = "Harbour Lane"
        exif.get_ifd(0x8769)[0x9003] = "2031:05:17 14:21:40"
        exif.get_ifd(0x8769)[0x9011] = "+02:00"
        exif.get_ifd(0x8825)[1] = "N"
        exif.get_ifd(0x8825)[2] = (53.0, 12.0, 34.0)
        picture = plain.convert("L") if ending == "grey.jpg" else plain
        path = folder / f"{way}.{ending}"
        picture.save(path, kind, exif=exif.tobytes(), **options)
        with Image.open(path) as opened:
            right = ImageOps.exif_transpose(opened).convert("RGB")
        width, height = right.size
        corners = [right.getpixel(at) for at in [(20, 20), (width - 20, 20), (20, height - 20), (width - 20, height - 20)]]
        made.append({"file": path.name, "way": way, "size": [width, height], "corners": corners})
print(json.dumps(made))
