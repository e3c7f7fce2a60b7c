"""Films without the patient: DICOM by the basic profile of PS3.15 annex E, PNG, JPEG, TIFF and BMP by their picture alone.

``profile`` is the standard's table and what we keep beside it, ``meanings`` the codes whose words are known, ``elements`` what
is done to one DICOM data set, ``identity`` the UIDs, ``batch`` files into a folder, text in the pixels included.
"""

from wlmeasure.share.deidentify.batch import Deidentified, LeftOut, Pixels, deidentify_files, picture_alone
from wlmeasure.share.deidentify.elements import Change, Kept, deidentify
from wlmeasure.share.deidentify.profile import Profile

__all__ = [
    "Change",
    "Deidentified",
    "Kept",
    "LeftOut",
    "Pixels",
    "Profile",
    "deidentify",
    "deidentify_files",
    "picture_alone",
]
