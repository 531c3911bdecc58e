"""A small folder of scenes with known truth: one still, one clip of four frames."""

from __future__ import annotations

from pathlib import Path

SCORE = """
import numpy as np

def srgb_dec(x):
    x = np.asarray(x, float)
    return np.where(x <= .04045, x / 12.92, ((x + .055) / 1.055) ** 2.4)

def score(p, t, fg=None, gtfg=None, region=None, conn=True):
    d = np.abs(p - t)
    o = {"SAD": float(d.sum() / 1000), "Grad": float(np.abs(np.diff(p - t)).sum() / 1000)}
    o["haze"], o["holes"] = float(p[t == 0].mean()), float((1 - p[t == 1]).mean())
    o["band"] = float(d[(t > 0) & (t < 1)].mean())
    if fg is not None:
        c = np.abs(p[..., None] * fg - t[..., None] * gtfg).sum(-1)
        o["dE00"], o["dE00_out"] = float(c[t > 0].mean()), float(c[t == 0].mean())
    return o

def dtssd(ps, ts):
    return float(np.mean([np.abs(b - a - d + c).mean() for a, b, c, d in
                          zip(ps[:-1], ps[1:], ts[:-1], ts[1:])]))
"""

LOAD = """
import os
import cv2
import numpy as np
from score import srgb_dec

OUT = os.path.join(os.path.dirname(os.path.abspath(__file__)), "data")
VARIANTS = ["yuv420", "under1"]
HIGH, WIDE = 256, 192
FRAMES = 4

def stills():
    return sorted(os.listdir(OUT + "/stills"))

def videos():
    return sorted(os.listdir(OUT + "/video"))

def scene(shift=0):
    a = np.zeros((HIGH, WIDE), np.float32)
    cv2.ellipse(a, (96 + shift, 90), (34, 46), 0, 0, 360, 1, -1)
    cv2.ellipse(a, (96 + shift, 256), (70, 120), 0, 0, 360, 1, -1)
    a = np.clip(cv2.GaussianBlur(a, (0, 0), 2) * 1.02 - .01, 0, 1)
    y, x = np.mgrid[0:HIGH, 0:WIDE].astype(np.float32)
    F = np.stack([.45 + .2 * np.sin(x / 9), .25 + .1 * np.cos(y / 7), .2 + 0 * x], -1)
    B0 = np.stack([.05 + 0 * x, .45 - .1 * x / WIDE, .1 + 0 * x], -1)
    return dict(a=a, F=F, N=F, B=B0, B0=B0, C=a[..., None] * F + (1 - a[..., None]) * B0)

def still(name):
    return scene()

def video(name):
    return (scene(2 * i) for i in range(FRAMES))

def variant(kind, d, seed=0):
    a = d["a"][..., None]
    lin = a * d["F"] + (1 - a) * d["B"] * (.5 if kind == "under1" else 1)
    enc = np.where(lin <= .0031308, 12.92 * lin, 1.055 * np.maximum(lin, 1e-9) ** (1 / 2.4) - .055)
    rgb = np.round(255 * np.clip(enc, 0, 1)).astype(np.uint8)
    if kind != "yuv420":
        return rgb
    return cv2.cvtColor(cv2.cvtColor(rgb, cv2.COLOR_RGB2YUV_I420), cv2.COLOR_YUV2RGB_I420)

def plate(kind, d):
    return variant(kind, dict(d, a=np.zeros_like(d["a"])))
"""


def plant_folder(folder: Path) -> Path:
    """Write the folder, without the clip's file."""
    for path in ("data/stills/t01_round", "data/video/v01_walk"):
        (folder / path).mkdir(parents=True)
    (folder / "score.py").write_text(SCORE, "utf-8")
    (folder / "load.py").write_text(LOAD, "utf-8")
    return folder
