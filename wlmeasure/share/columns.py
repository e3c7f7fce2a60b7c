"""What every column of a table of paths means, in one sentence."""

from __future__ import annotations

__all__ = ["CALIBRATION_COLUMNS", "CANAL_COLUMNS", "IMAGE_COLUMNS", "VERTEX_COLUMNS"]

CANAL_COLUMNS = {
    "path": "Number of the line in this table, by which vertices.csv refers to it.",
    "id": "The line's own id, where it has one.",
    "kind": "What the line is: a canal, or a file or object of known length.",
    "case": "The practice's or study's own identifier of the case.",
    "image": "Id of the image that the line lies on.",
    "calibration": "Id of the scale that its millimetres were made with.",
    "tooth": "Tooth in the designation of ISO 3950.",
    "canal": "Name of the canal.",
    "annotator": "Who drew or accepted the line.",
    "session": "In which session or repeat.",
    "method": "What made the line.",
    "method_version": "Version of what made it.",
    "status": "How far it is settled: measured, decided, or true where it comes from a phantom.",
    "apical_end": "What the line ends at.",
    "reference_row_px": "Row of the coronal reference point, pixels.",
    "reference_col_px": "Column of the coronal reference point, pixels.",
    "path_std_px": "Standard uncertainty of the line across its direction, pixels.",
    "correlated_mm": "Length over which errors of the line go together, mm; empty or 0 for points with errors of their own.",
    "known_length_mm": "Length of a file or object as it was known, mm; of a canal, of the file that its length is made of.",
    "length_mm": "Coronal reference point to apical end along the canal, mm; of a phantom the true one in three dimensions.",
    "length_std_mm": "Standard uncertainty of that length, mm.",
    "canal_mm": "Orifice to apical end along the canal, mm; of a phantom the true one in three dimensions.",
    "schneider_deg": "Schneider's angle on the film, degrees; of the first bend of an S.",
    "schneider_std_deg": "Standard uncertainty of Schneider's angle, degrees.",
    "weine_deg": "Angle between the tangents of the bend's two ends (Weine, Pruett) on the film, degrees.",
    "long_axis_deg": "Angle between the long axes of the canal's two ends on the film, degrees.",
    "luiten_deg": "Angle between the first 2 mm and the last 1 mm on the film (Luiten), degrees.",
    "canal_access_deg": "Canal access angle on the film (Gunday), degrees.",
    "turning_deg": "Sum of all turns on the film, degrees.",
    "radius_mm": "Radius of the arc between the straight parts on the film, mm; empty when not determined.",
    "radius_low_mm": "Lower end of its 95 % interval, mm.",
    "radius_high_mm": "Upper end of its 95 % interval, mm; empty when it has none.",
    "min_radius_mm": "Smallest radius along the canal, mm; of a phantom the true one in three dimensions.",
    "vertices": "How many points the line has.",
    "other": "Members that this version of the program does not know, as JSON.",
}
VERTEX_COLUMNS = {
    "path": "Number of the line in canals.csv.",
    "vertex": "Number of the point along the line, from 0 at its coronal end.",
    "row_px": "Row of the point, pixels; the centre of the first pixel is 0.",
    "col_px": "Column of the point, pixels; the centre of the first pixel is 0.",
}
IMAGE_COLUMNS = {
    "id": "Id of the image, by which canals.csv and calibrations.csv refer to it.",
    "file_name": "Its file name, only where somebody asked for it: it may name the patient.",
    "sha256": "SHA-256 of the whole image file.",
    "sop_instance_uid": "SOP Instance UID of a DICOM image.",
    "rows": "Rows of the image as it is measured.",
    "cols": "Columns of the image as it is measured.",
    "stored_rows": "Rows as they are stored, before the orientation is applied.",
    "stored_cols": "Columns as they are stored, before the orientation is applied.",
    "orientation_applied": "EXIF orientation 1 to 8 that was applied.",
    "other": "Members that this version of the program does not know, as JSON.",
}
CALIBRATION_COLUMNS = {
    "id": "Id of the scale, by which canals.csv refers to it.",
    "image": "Id of the image that it holds for.",
    "mm_per_px_row": "Millimetres from one row to the next.",
    "mm_per_px_col": "Millimetres from one column to the next.",
    "rel_std": "Relative standard uncertainty of the scale.",
    "method": "What the scale comes from.",
    "plane": "Where it holds: in the patient, on the detector, on the film, or unknown.",
    "known_lengths_mm": "Known lengths that it rests on, mm, as a JSON list.",
    "other": "Members that this version of the program does not know, as JSON.",
}
