"""From an ideal scene to the picture a cheap microscope camera writes.

The order is that of the light: optics (blur of the exact outline, defocus, veil, vignetting), sensor (pixel, colour
filter, shot and read noise), camera software (demosaicing, white balance, sharpening, sRGB coding, JPEG).
"""

from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from wearscope.synthetic.coverage import polygon_coverage
from wearscope.synthetic.scene import Light, Scene

__all__ = ["Camera", "encode_jpeg", "ideal_light", "photograph", "srgb_code"]

Picture = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Camera:
    """Optics, sensor and software of a microscope camera; the default is a clean one.

    `blur_px` is the standard deviation of the optics' blur (pixel not included): of a Gaussian, of a disc with the same second
    moment ("disc"), or of a Gaussian of `blur_px` smeared over `motion_px` in direction `motion_deg` ("motion"). `vignetting` is the loss
    in the picture's corners, `veil` the share of light spread over the whole frame. `full_well_e` electrons are full scale (0: no
    noise), `read_e` their read noise. `white_balance` multiplies blue, green, red. `sharpening` is the strength of an unsharp
    mask. `jpeg_quality` None leaves the picture uncompressed.
    """

    blur_px: float = 1.0
    blur: Literal["gaussian", "disc", "motion"] = "gaussian"
    motion_px: float = 0.0
    motion_deg: float = 0.0
    exposure: float = 1.0
    vignetting: float = 0.0
    veil: float = 0.0
    full_well_e: float = 0.0
    read_e: float = 0.0
    bayer: bool = False
    white_balance: tuple[float, float, float] = (1.0, 1.0, 1.0)
    sharpening: float = 0.0
    jpeg_quality: int | None = None
    oversampling: int = 4


def photograph(scene: Scene, camera: Camera, rng: np.random.Generator) -> tuple[Picture, dict[str, Any]]:
    """The 8 bit picture (height, width, 3; blue, green, red; sRGB-coded) and the scene's truth with the camera's added."""
    light = ideal_light(scene, camera) * np.float32(camera.exposure)
    light = light * _vignette(scene.size, camera.vignetting)[..., None]
    if camera.veil:
        light = (1 - camera.veil) * light + camera.veil * light.mean(axis=(0, 1), keepdims=True)
    light = _sensor(light, camera, rng)
    light = light * np.asarray(camera.white_balance, np.float32)
    if camera.sharpening:
        light = light + camera.sharpening * (light - cv2.GaussianBlur(light, (0, 0), 1.5))
    picture = np.rint(255 * srgb_code(np.clip(light, 0, 1))).astype(np.uint8)
    if camera.jpeg_quality is not None:
        picture = cv2.imdecode(
            np.frombuffer(encode_jpeg(picture, camera.jpeg_quality), np.uint8), cv2.IMREAD_COLOR
        )
    return picture, {**scene.truth, "camera": _camera_truth(camera)}


def encode_jpeg(picture: Picture, quality: int) -> bytes:
    """The bytes of a JPEG file."""
    done, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise ValueError("the picture cannot be written as JPEG")
    return data.tobytes()


def srgb_code(linear: Light) -> Light:
    """Linear light 0..1 to sRGB values 0..1 (IEC 61966-2-1)."""
    low = linear * np.float32(12.92)
    high = np.float32(1.055) * np.power(np.maximum(linear, 1e-6), np.float32(1 / 2.4)) - np.float32(0.055)
    return np.where(linear <= 0.0031308, low, high)


def ideal_light(scene: Scene, camera: Camera) -> Light:
    """Linear light on the sensor: blur and pixel applied, before vignetting, veil and noise. Shape (height, width, 3).

    Where body and background are plain, this is the exact picture convolved with the blur and averaged over each pixel (to the
    oversampling); textures are blurred by themselves, so they never shift the outline.
    """
    share = _pixel_average(
        _blur(polygon_coverage(scene.outlines, scene.size, camera.oversampling), camera, camera.oversampling),
        camera,
    )
    body, background = _blur(scene.body, camera, 1), _blur(scene.background, camera, 1)
    if scene.defocus_px is not None:
        share, body = (_defocused(layer, scene.defocus_px) for layer in (share, body))
    return np.asarray(background + share[..., None] * (body - background), np.float32)


def _pixel_average(fine: Light, camera: Camera) -> Light:
    height, width = fine.shape[0] // camera.oversampling, fine.shape[1] // camera.oversampling
    return cv2.resize(fine, (width, height), interpolation=cv2.INTER_AREA)


def _blur(light: Light, camera: Camera, scale: int) -> Light:
    if camera.blur == "disc":
        return cv2.filter2D(
            light, -1, _disc_kernel(2 * camera.blur_px * scale), borderType=cv2.BORDER_REPLICATE
        )
    sigma = camera.blur_px * scale
    if sigma > 0:
        size = 2 * int(np.ceil(4.5 * sigma)) + 1
        light = cv2.GaussianBlur(light, (size, size), sigma, borderType=cv2.BORDER_REPLICATE)
    if camera.blur == "motion" and camera.motion_px > 0:
        kernel = _line_kernel(camera.motion_px * scale, camera.motion_deg)
        light = cv2.filter2D(light, -1, kernel, borderType=cv2.BORDER_REPLICATE)
    return light


def _disc_kernel(radius: float) -> Light:
    """A uniform disc; its standard deviation along any axis is half its radius."""
    turn = np.linspace(0, 2 * np.pi, 721)[:-1]
    half = int(np.ceil(radius)) + 1
    circle = half + radius * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    kernel = polygon_coverage([circle], (2 * half + 1, 2 * half + 1))
    return np.asarray(kernel / kernel.sum(), np.float32)


def _line_kernel(length: float, angle_deg: float) -> Light:
    along = np.deg2rad(angle_deg)
    direction, across = np.array([np.cos(along), np.sin(along)]), np.array([-np.sin(along), np.cos(along)])
    half = int(np.ceil(length / 2)) + 2
    bar = [
        half + sx * direction * length / 2 + sy * across / 2
        for sx, sy in ((-1, -1), (1, -1), (1, 1), (-1, 1))
    ]
    kernel = polygon_coverage([np.array(bar)], (2 * half + 1, 2 * half + 1))
    return np.asarray(kernel / kernel.sum(), np.float32)


def _defocused(layer: Light, sigma: Light) -> Light:
    """`layer` blurred by a sigma (px) that changes slowly from place to place: steps of one blur stack, mixed by variance."""
    top = float(sigma.max())
    if top < 0.05:
        return layer
    steps = np.concatenate([[0.0], np.geomspace(min(0.5, top / 2), top, 6)])
    variance, wanted = steps**2, sigma**2
    out = np.zeros_like(layer)
    for i, step in enumerate(steps):
        blurred = (
            layer if step == 0 else cv2.GaussianBlur(layer, (0, 0), step, borderType=cv2.BORDER_REPLICATE)
        )
        hat = np.interp(wanted, variance, np.eye(len(steps))[i]).astype(np.float32)
        out += (hat if layer.ndim == 2 else hat[..., None]) * blurred
    return out


def _vignette(size: tuple[int, int], loss: float) -> Light:
    x = np.linspace(-1, 1, size[0], dtype=np.float32)[None, :] * size[0]
    y = np.linspace(-1, 1, size[1], dtype=np.float32)[:, None] * size[1]
    return 1 - np.float32(loss) * (x**2 + y**2) / np.float32(size[0] ** 2 + size[1] ** 2)


def _sensor(light: Light, camera: Camera, rng: np.random.Generator) -> Light:
    if not camera.bayer:
        return _noisy(light, camera, rng)
    mosaic = light[..., 1].copy()
    mosaic[0::2, 0::2] = light[0::2, 0::2, 2]
    mosaic[1::2, 1::2] = light[1::2, 1::2, 0]
    mosaic = _noisy(mosaic, camera, rng)
    codes = np.clip(mosaic * 40000 + 4000, 0, 65535).astype(np.uint16)
    full = cv2.demosaicing(codes, cv2.COLOR_BayerRGGB2BGR)
    return (np.asarray(full, np.float32) - 4000) / 40000


def _noisy(light: Light, camera: Camera, rng: np.random.Generator) -> Light:
    if not camera.full_well_e:
        return light
    electrons = rng.poisson(np.maximum(light, 0) * camera.full_well_e) + camera.read_e * rng.standard_normal(
        light.shape
    )
    return np.asarray(electrons / camera.full_well_e, np.float32)


def _camera_truth(camera: Camera) -> dict[str, Any]:
    smear = camera.motion_px**2 / 24 if camera.blur == "motion" else 0.0
    return {
        "blur_sigma_px": camera.blur_px,
        "edge_blur_width_px": float(np.sqrt(camera.blur_px**2 + 1 / 12 + smear)),
        "blur": camera.blur,
        "bayer": camera.bayer,
        "sharpening": camera.sharpening,
        "jpeg_quality": camera.jpeg_quality,
        "white_balance": list(camera.white_balance),
    }
