"""Reading photos: files written by Pillow, OpenCV and tifffile must come back as they were, or be refused in words."""

import hashlib
import io
import os
import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from PIL import Image, ImageOps

from wearscope.errors import PhotoError
from wearscope.photo.read import MAX_BYTES, MAX_MEGAPIXELS, decode_photo, read_photo, srgb_to_linear

EXIF_ORIENTATION = 0x0112
FORMATS = ["JPEG", "PNG", "TIFF", "BMP", "WEBP"]
LOSSLESS = {"PNG": {}, "TIFF": {}, "BMP": {}, "WEBP": {"lossless": True}}


def scene(height=40, width=60, seed=1):
    """A smooth colourful picture (height, width, 3), red first."""
    noise = np.random.default_rng(seed).integers(0, 256, (height, width, 3)).astype(np.uint8)
    return cv2.GaussianBlur(noise, (0, 0), 2)


def pillow(picture, kind, **options):
    file = io.BytesIO()
    image = picture if isinstance(picture, Image.Image) else Image.fromarray(picture)
    image.save(file, kind, **options)
    return file.getvalue()


def tiff(picture, **options):
    file = io.BytesIO()
    tifffile.imwrite(file, picture, **options)
    return file.getvalue()


def rgb(data):
    return decode_photo(data, "photo").encoded[:, :, ::-1]


# what comes back


@pytest.mark.parametrize("kind", LOSSLESS)
def test_lossless_files_come_back_exactly(kind):
    assert np.array_equal(rgb(pillow(scene(), kind, **LOSSLESS[kind])), scene())


@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"subsampling": 0}], ids=str)
def test_jpeg_comes_back_as_another_decoder_reads_it(options):
    data = pillow(scene(), "JPEG", quality=95, **options)
    other = np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))
    assert np.abs(rgb(data).astype(int) - other).max() <= 3


@pytest.mark.parametrize("compression", [None, "tiff_lzw", "tiff_adobe_deflate", "packbits"])
def test_compressed_tiff(compression):
    assert np.array_equal(rgb(pillow(scene(), "TIFF", compression=compression)), scene())


@given(
    hnp.arrays(
        np.uint16,
        hnp.array_shapes(min_dims=3, max_dims=3, min_side=1, max_side=9).map(lambda s: (s[0], s[1], 3)),
    )
)
def test_sixteen_bit_colour_survives(picture):
    png = cv2.imencode(".png", picture[:, :, ::-1])[1].tobytes()
    for data in (png, tiff(picture, photometric="rgb"), tiff(picture, photometric="rgb", byteorder=">")):
        photo = decode_photo(data, "photo")
        assert photo.top == 65535
        assert np.array_equal(photo.encoded[:, :, ::-1], picture)


@pytest.mark.parametrize("kind", ["PNG", "TIFF"])
def test_sixteen_bit_grey(kind):
    grey = scene().astype(np.uint16)[:, :, 0] * 200 + 7
    assert np.array_equal(rgb(pillow(grey, kind)), np.dstack([grey] * 3))


@pytest.mark.parametrize("kind", ["JPEG", *LOSSLESS])
def test_eight_bit_grey_has_three_equal_channels(kind):
    data = pillow(scene()[:, :, 0], kind, **LOSSLESS.get(kind, {}))
    picture = rgb(data)
    other = np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))
    assert np.array_equal(picture[:, :, 0], picture[:, :, 2])
    assert np.abs(picture.astype(int) - other).max() <= (3 if kind == "JPEG" else 0)


@pytest.mark.parametrize("kind", ["PNG", "TIFF", "BMP"])
def test_palette_and_black_and_white(kind):
    for image in (Image.fromarray(scene()).quantize(16), Image.fromarray(scene()).convert("1")):
        assert np.array_equal(rgb(pillow(image, kind)), np.asarray(image.convert("RGB")))


@pytest.mark.parametrize("kind", ["PNG", "TIFF", "WEBP"])
def test_alpha_is_ignored(kind):
    alpha = np.full((40, 60, 1), 128, np.uint8)
    options = {"lossless": True, "exact": True} if kind == "WEBP" else {}
    assert np.array_equal(rgb(pillow(np.dstack([scene(), alpha]), kind, **options)), scene())


def test_alpha_is_ignored_in_sixteen_bit_and_grey():
    wide = scene().astype(np.uint16) * 256
    alpha = np.full((40, 60), 30000, np.uint16)
    assert np.array_equal(
        rgb(tiff(np.dstack([wide, alpha]), photometric="rgb", extrasamples=["unassalpha"])), wide
    )
    assert np.array_equal(rgb(cv2.imencode(".png", np.dstack([wide, alpha]))[1].tobytes()), wide[:, :, ::-1])
    image = Image.fromarray(np.dstack([scene()[:, :, 0], np.full((40, 60), 9, np.uint8)]), "LA")
    for kind in ("PNG", "TIFF"):
        assert np.array_equal(rgb(pillow(image, kind))[:, :, 0], scene()[:, :, 0])


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP"])
@pytest.mark.parametrize("mode", ["RGB", "L", "RGBA"])
def test_every_exif_orientation_is_applied(kind, orientation, mode):
    if (kind, mode) == ("JPEG", "RGBA"):
        return
    image = Image.fromarray(scene(24, 40)).convert(mode)
    if mode == "RGBA":
        image.putalpha(100)
    exif = Image.Exif()
    exif[EXIF_ORIENTATION] = orientation
    options = {"tiffinfo": {EXIF_ORIENTATION: orientation}} if kind == "TIFF" else {"exif": exif}
    data = pillow(image, kind, **options, **({"lossless": True, "exact": True} if kind == "WEBP" else {}))
    upright = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data))).convert("RGB"))
    assert upright.shape[:2] == ((24, 40) if orientation < 5 else (40, 24))
    assert np.abs(rgb(data).astype(int) - upright).max() <= (3 if kind == "JPEG" else 0)


def test_orientation_by_the_letter_of_the_standard():
    """Exif 2.32, tag 0x0112, value 6: the stored 0th row is the visual right side, the 0th column the top."""
    stored = np.zeros((16, 32, 3), np.uint8)
    stored[0, :] = (255, 0, 0)
    exif = Image.Exif()
    exif[EXIF_ORIENTATION] = 6
    upright = rgb(pillow(stored, "PNG", exif=exif))
    assert upright.shape == (32, 16, 3)
    assert (upright[:, -1] == (255, 0, 0)).all()
    assert (upright[:, :-1] == 0).all()


@pytest.mark.parametrize("orientation", [0, 9, 65535])
def test_a_senseless_orientation_leaves_the_picture_as_stored(orientation):
    exif = Image.Exif()
    exif[EXIF_ORIENTATION] = orientation
    assert np.array_equal(rgb(pillow(scene(), "PNG", exif=exif)), scene())


def test_a_telephone_file_with_a_preview_behind_it_gives_its_first_picture():
    other = Image.fromarray(scene(seed=2))
    data = pillow(scene(), "MPO", save_all=True, append_images=[other])
    assert np.abs(rgb(data).astype(int) - np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))).max() <= 3


def test_bytes_behind_the_end_do_no_harm():
    for kind in FORMATS:
        data = pillow(scene(), kind)
        assert np.array_equal(rgb(data + bytes(300)), rgb(data))


def test_digest_is_of_the_files_bytes(tmp_path):
    """SHA-256 of "abc": FIPS 180-4 example; here of the file as it lies on the disk."""
    assert hashlib.sha256(b"abc").hexdigest().startswith("ba7816bf8f01cfea414140de5dae2223")
    path = tmp_path / "spindle küche 3.png"
    path.write_bytes(pillow(scene(), "PNG"))
    photo = read_photo(path)
    assert photo.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert photo.size == (60, 40)
    assert photo.path == str(path)


# linear light


@pytest.mark.parametrize(
    ("encoded", "linear"),
    # IEC 61966-2-1: c/12.92 up to 0.04045, then ((c+0.055)/1.055)^2.4; 188/255 is the well known half-light code
    [(0, 0), (0.04045, 0.0031308), (1, 1), (188 / 255, 0.502886), (0.5, 0.214041)],
)
def test_srgb_decoding(encoded, linear):
    assert srgb_to_linear(np.array([encoded]))[0] == pytest.approx(linear, abs=1e-6)


@given(st.lists(st.floats(0, 1), min_size=2, max_size=50))
def test_srgb_decoding_never_falls(codes):
    codes = np.sort(codes)
    assert (np.diff(srgb_to_linear(codes)) >= 0).all()


@pytest.mark.parametrize("depth", [np.uint8, np.uint16])
def test_linear_light_of_a_photo(depth):
    picture = (
        np.random.default_rng(3).integers(0, np.iinfo(depth).max, (7, 5, 3), endpoint=True).astype(depth)
    )
    photo = decode_photo(cv2.imencode(".png", picture)[1].tobytes(), "photo")
    linear = srgb_to_linear(picture / np.iinfo(depth).max)
    assert photo.linear_bgr() == pytest.approx(linear, abs=1e-6)
    assert photo.linear() == pytest.approx(linear @ [0.0722, 0.7152, 0.2126], abs=1e-6)
    box = (1, 2, 4, 6)
    assert np.array_equal(photo.linear_bgr(box), photo.linear_bgr()[2:6, 1:4])
    assert photo.linear(box).shape == (4, 3)
    assert photo.grey().dtype == np.uint8


# what is refused


def refusal(data):
    with pytest.raises(PhotoError) as caught:
        decode_photo(data, "drawer/slot7.jpg")
    assert str(caught.value).startswith("drawer/slot7.jpg: ")
    return str(caught.value)


@pytest.mark.parametrize("kind", FORMATS)
@settings(max_examples=30)
@given(part=st.floats(0, 1, exclude_max=True))
def test_a_cut_file_is_refused_wherever_it_is_cut(kind, part):
    data = pillow(scene(), kind)
    assert any(
        word in refusal(data[: int(part * len(data))]) for word in ("truncated", "not a photo", "empty")
    )


@pytest.mark.parametrize("kind", FORMATS)
def test_a_file_that_lacks_only_its_last_bytes_is_refused(kind):
    data = pillow(scene(), kind)
    for missing in (1, 2, 3, 10):
        assert "truncated" in refusal(data[:-missing])


@pytest.mark.parametrize("options", [{}, {"compression": "tiff_lzw"}, {"compression": "jpeg"}], ids=str)
def test_a_cut_tiff_with_its_directory_at_the_end_is_refused(options):
    data = pillow(scene(), "TIFF", **options)
    assert "truncated" in refusal(data[: len(data) * 9 // 10])


@pytest.mark.parametrize("filler", [b"\0", b"\xff"])
def test_a_jpeg_whose_second_half_was_never_written_is_refused(filler):
    data = pillow(scene(), "JPEG")
    half = len(data) // 2
    assert "truncated" in refusal(data[:half] + filler * (len(data) - half))


def test_a_damaged_png_is_refused():
    data = bytearray(pillow(scene(), "PNG"))
    data[len(data) // 2] ^= 0x55
    assert "damaged" in refusal(bytes(data))


@given(st.binary(min_size=1, max_size=200))
def test_bytes_that_are_no_photo_are_refused(data):
    assert "expected JPEG, PNG, TIFF, BMP or WebP" in refusal(b"#" + data)


@given(
    st.sampled_from([b"\xff\xd8\xff\xe0", b"\x89PNG\r\n\x1a\n", b"II*\0", b"MM\0*", b"BM", b"RIFF"]),
    st.binary(max_size=200),
)
def test_a_good_beginning_and_then_nonsense_is_refused(start, rest):
    refusal(start + rest)


def test_an_empty_file_is_refused():
    assert "empty" in refusal(b"")


def test_a_gif_is_refused_with_the_formats_that_are_read():
    assert "export it as one of these" in refusal(pillow(scene(), "GIF"))


@pytest.mark.parametrize("kind", ["PNG", "WEBP", "TIFF"])
def test_an_animation_or_several_pages_are_refused(kind):
    frames = [Image.fromarray(scene(seed=s)) for s in (2, 3)]
    text = refusal(pillow(scene(), kind, save_all=True, append_images=frames))
    assert "(3)" in text
    assert "one of them alone" in text


def png_header(width, height):
    def chunk(name, body):
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(b""))
        + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize("side", [9000, 11000, 60000])
def test_a_size_bomb_is_refused_by_its_header(side, monkeypatch):
    monkeypatch.setattr(cv2, "imdecode", lambda *_: pytest.fail("decoded before the size was checked"))
    text = refusal(png_header(side, side))
    assert f"limit of {MAX_MEGAPIXELS} megapixels" in text
    assert "crop" in text


@pytest.mark.parametrize(
    "picture",
    [np.zeros((8, 8), np.float32), np.zeros((8, 8), np.int16), np.zeros((8, 8), np.uint32)],
    ids=lambda a: str(a.dtype),
)
def test_tiffs_of_other_number_kinds_are_refused(picture):
    assert "save it as" in refusal(tiff(picture))


def test_tiffs_that_would_come_out_wrong_are_refused():
    wide = scene().astype(np.uint16) * 256
    planes = tiff(np.ascontiguousarray(np.moveaxis(wide, 2, 0)), photometric="rgb", planarconfig="separate")
    assert "kind of TIFF" in refusal(planes)
    grey_alpha = tiff(
        wide[:, :, :2], photometric="minisblack", extrasamples=["unassalpha"], planarconfig="contig"
    )
    assert "rare kind" in refusal(grey_alpha)


def test_files_that_cannot_be_opened_are_refused(tmp_path):
    with pytest.raises(PhotoError, match=r"cannot be read .* give the path of a photo file"):
        read_photo(tmp_path / "missing.jpg")
    with pytest.raises(PhotoError, match="not a file"):
        read_photo(tmp_path)
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe.jpg")
        with pytest.raises(PhotoError, match="not a file"):
            read_photo(tmp_path / "pipe.jpg")


def test_a_file_without_permission_is_refused(tmp_path, monkeypatch):
    path = tmp_path / "locked.jpg"
    path.write_bytes(b"x")

    def denied(self):
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(type(path), "read_bytes", denied)  # chmod does not stop the superuser
    with pytest.raises(PhotoError, match="Permission denied"):
        read_photo(path)


def test_a_huge_file_is_refused_before_it_is_read(tmp_path, monkeypatch):
    path = tmp_path / "huge.tif"
    with path.open("wb") as file:
        file.truncate(MAX_BYTES + 1)  # sparse: takes no room
    monkeypatch.setattr(type(path), "read_bytes", lambda _: pytest.fail("read before the size was checked"))
    with pytest.raises(PhotoError, match="larger than 640 MB"):
        read_photo(path)


# real photographs


def test_every_real_photo_is_read_as_another_decoder_reads_it():
    folder = os.environ.get("WEARSCOPE_REAL_PHOTOS")
    if not folder:
        pytest.skip("WEARSCOPE_REAL_PHOTOS is not set: no folder of real photographs")
    pictures = sorted(p for p in Path(folder).iterdir() if p.suffix in (".jpg", ".png"))
    assert pictures
    for path in pictures[::5]:
        other = np.asarray(ImageOps.exif_transpose(Image.open(path)).convert("RGB"))
        ours = read_photo(path).encoded[:, :, ::-1].astype(int)
        assert ours.shape == other.shape
        assert np.abs(ours - other).mean() < 1


# time


def test_reading_costs_little_more_than_decoding(benchmark):
    data = pillow(scene(1200, 1600), "JPEG", quality=90)
    benchmark(decode_photo, data, "photo")
