"""A file whose stop does not show, and its canal, on a bench film: 0.05 mm per pixel.

The file runs down column 50 from the film's edge; its stop rested at row 60, 12 pixels to the side, 18 mm from the tip at row
420. The canal is traced from row 200 down to row 460: 20 mm from the stop's face.
"""

UNSEEN = {
    "kind": "known_file",
    "points_px": [[5, 50], [420, 50]],
    "trace_kind": "path",
    "known_length_mm": 18.0,
    "known_length_std_mm": 0.05,
    "upper_end": "reference",
    "reference_px": [60, 62],
}
TRACE = {"reference_px": [60, 62], "path_px": [[200, 50], [460, 50]], "file_tip_px": [420, 50]}
