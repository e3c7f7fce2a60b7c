"""DICOM objects made from a case: structured report, presentation state, calibrated copy, secondary capture.

Nothing here is imported at the start of a program. Reports and presentation states need the extra ``dicom`` (highdicom);
copies, captures and reading a report back need no more than the core installs.
"""
