"""Facts of the trade: teeth (:mod:`.tooth`) and instruments (:mod:`.instruments`), with the source beside every number.

Nothing here knows of images, pixels or files.
"""
