"""One registry of quality flags: name, what it says, what the person should do.

Help, picture legend, JSON and records are made from it. A flag that `blocks` means that the photo
cannot carry a decision: the grade is `retake` whatever was measured.
"""

from dataclasses import dataclass

__all__ = ["FLAGS", "Flag", "blocking"]


@dataclass(frozen=True, slots=True)
class Flag:
    """A condition of a photo or a measurement."""

    name: str
    text: str
    advice: str
    blocks: bool = False


_ALL = (
    Flag(
        "no_cutter",
        "No cutter in the picture.",
        "Put the cutter's corner in the middle of the frame, in focus.",
        True,
    ),
    Flag("several_cutters", "More than one cutter in the picture.", "Photograph one cutter at a time.", True),
    Flag(
        "corner_not_in_frame",
        "No cutting corner inside the frame.",
        "Move the corner towards the middle of the frame.",
        True,
    ),
    Flag(
        "corner_faint",
        "The corner hardly stands out from the ground; something else may have been taken for it.",
        "Put a dark or a lit ground well behind the cutter, and look whether the mark is on the corner.",
        True,
    ),
    Flag(
        "no_shank",
        "No shank that can be measured in the picture.",
        "Show the shank from side to side, out of the frame at both ends, on a plain ground; or the whole cutter with --view profile.",
        True,
    ),
    Flag(
        "end_unclear",
        "The flutes cannot be counted in this picture.",
        "Look straight along the axis at the tip, all corners in the frame and in focus, on a plain ground.",
        True,
    ),
    Flag(
        "flutes_disagree",
        "The picture shows another number of flutes than was given.",
        "Look whether a flute is broken off; if none is, give the right number with --flutes.",
        True,
    ),
    Flag(
        "edge_too_short",
        "Too little of one edge beside the corner.",
        "Move the corner towards the middle of the frame, or zoom out.",
        True,
    ),
    Flag(
        "out_of_focus",
        "The edge is out of focus.",
        "Raise or lower the lens about 1 mm until the edge is crisp.",
        True,
    ),
    Flag(
        "motion_blur",
        "The picture is smeared in one direction.",
        "Put microscope and cutter on one base; do not touch them while taking the photo.",
        True,
    ),
    Flag(
        "underexposed",
        "The edge is too dark to measure.",
        "Turn the light up or lengthen the exposure.",
        True,
    ),
    Flag("overexposed", "The edge is blown out.", "Dim the ring light or shorten the exposure.", True),
    Flag(
        "low_contrast",
        "Cutter and background are nearly alike at the edge.",
        "Use a lighter or darker background, or light from behind.",
        True,
    ),
    Flag(
        "scale_too_small",
        "Too few pixels per millimetre for the limit to be decided.",
        "Zoom in: move closer or use a higher magnification.",
        True,
    ),
    Flag(
        "background_clipped",
        "The background is blown out; the edge may sit a little outside its true place.",
        "Dim the light behind the cutter.",
    ),
    Flag(
        "glare",
        "Glare on the cutter next to the edge.",
        "Dim the ring light, or put a sheet of paper round the lens as a diffuser.",
    ),
    Flag(
        "partly_out_of_focus",
        "Part of the edge is out of focus and was left out.",
        "Square the cutter to the lens.",
    ),
    Flag(
        "oversharpened",
        "The camera sharpens its pictures (a halo on both sides of the edge); uncertainty is wider.",
        "Turn sharpening off in the camera's settings.",
    ),
    Flag(
        "not_square",
        "The rake face seems not square to the lens.",
        "Turn the cutter until both edges are crisp at once.",
    ),
    Flag(
        "photos_disagree",
        "Photos that should show the same corner do not agree; nothing was combined.",
        "Say which flute each photo shows with --flute, or take them again.",
    ),
    Flag(
        "shank_marks",
        "The shank is marked: rings around it or scratches along it.",
        "Look at the collet too: worn, dirty or of the wrong size. A shank that has spun is withdrawn (--seen spun_shank).",
    ),
    Flag(
        "round_field",
        "The picture is round, in a black frame: only the square inside it was looked at.",
        "Put what is to be measured in the middle of the round.",
    ),
    Flag(
        "view_assumed",
        "Which view the photo shows was neither given nor told by the picture: a corner, side-on, was assumed.",
        "Give --view for each photo.",
    ),
    Flag(
        "view_unclear",
        "Which view the photo shows was not given: a corner in a round field, or an end before a dark ground.",
        "Give --view corner or --view end.",
        True,
    ),
    Flag(
        "view_detected:corner",
        "Which view the photo shows was not given; the picture shows a corner, side-on.",
        "Give --view if it is meant otherwise.",
    ),
    Flag(
        "view_detected:end",
        "Which view the photo shows was not given; everything sharp lies inside the frame, as in a look along the axis.",
        "Give --view if it is meant otherwise.",
    ),
    Flag(
        "view_detected:edge",
        "Which view the photo shows was not given. It looks like a close-up of an edge from the flank, but so does a body whose corner is outside the frame: "
        "nothing is decided by it.",
        "Give --view edge if it is one; otherwise move the corner into the frame.",
        True,
    ),
    Flag(
        "view_detected:shank",
        "Which view the photo shows was not given. It looks like a shank, but so does a body whose corner is outside the frame: nothing is decided by it.",
        "Give --view shank if it is one; otherwise move the corner into the frame.",
        True,
    ),
    Flag(
        "scale_assumed_exact",
        "The pixels per millimetre were typed in and count as exact.",
        "Calibrate with a photo of a scale: wearscope calibrate.",
    ),
    Flag(
        "scale_unchecked",
        "The scale was printed and never measured (1 %).",
        "Measure the 100 mm check line with a calliper and enter it.",
    ),
    Flag(
        "facts_assumed",
        "Facts about the cutter were not given; where they are missing, flat end, carbide and 6 mm are assumed.",
        "Give --kind, --material and --diameter.",
    ),
    Flag(
        "size_outside_table",
        "The diameter lies outside the limits table; the nearest column was used.",
        "Check that the limits make sense for this cutter.",
    ),
    Flag(
        "edge_roles_assumed",
        "Which edge is the end edge was guessed from the picture's orientation.",
        "Photograph the cutter with its tip up or down.",
    ),
    Flag(
        "broken_corner",
        "The corner is broken, not rounded; the radius does not describe it.",
        "Judge by the recession.",
    ),
    Flag(
        "stuck_material",
        "Material sticks out beyond the edge or hides it.",
        "Clean the cutter and take the photo again.",
    ),
    Flag(
        "corner_covered",
        "Material sticks out beyond the corner: what is beneath it does not show.",
        "Clean the cutter first.",
        True,
    ),
    Flag(
        "damage_inside",
        "A worn or broken patch shows inside the outline at the corner.",
        "Look at it with a loupe under another light.",
    ),
    Flag(
        "dull_edge",
        "A bright line runs along the edge: it is rounded, that is dull.",
        "Have it sharpened, or turn the insert; a sharp edge sends no light to the lens.",
    ),
    Flag(
        "even_band",
        "A bright band of even width runs along an edge: a land ground on purpose, or an edge rubbed evenly.",
        "Look with a loupe, and compare it with the cutter when new.",
    ),
    Flag(
        "white_balance_assumed",
        "No neutral reference was found; colours may be off.",
        "Photograph a grey card with the same light: --grey-card.",
    ),
    Flag(
        "white_balance_moved",
        "The background is not grey by the calibration's grey card: the light or the camera's white balance has changed, or it is coloured. The card was not used.",
        "Fix the white balance in the camera's settings and photograph the card again, or give one in this light: --grey-card.",
    ),
    Flag(
        "label_unreadable",
        "A label lies in the picture but cannot be read.",
        "Put it flat and in focus, larger or closer, all of it and its white margin in the frame.",
    ),
    Flag(
        "label_missing",
        "No label was found, and nothing else says which cutter this is.",
        "Lay the cutter's label beside it, or name the cutter in cutters.csv.",
    ),
    Flag("tint:none", "No discolouration seen.", ""),
    Flag(
        "tint:heat",
        "Heat colours toward the edge.",
        "Stop using this cutter until it is judged; look for the cause (speed too high, feed too low, dull edge).",
    ),
    Flag("tint:coating", "A coating colours the cutter evenly.", ""),
    Flag("tint:resin", "Resin or pitch in the flutes.", "Clean the cutter and take the photo again."),
    Flag(
        "tint:unclear",
        "The colours cannot be told apart.",
        "Take a photo with a grey card or under white light.",
    ),
)

FLAGS: dict[str, Flag] = {flag.name: flag for flag in _ALL}


def blocking(names: tuple[str, ...]) -> tuple[str, ...]:
    """Those of `names` that make a photo unable to carry a decision."""
    return tuple(name for name in names if FLAGS[name].blocks)
