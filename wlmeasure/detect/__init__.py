"""One look at a film: what is on it, proposed for a person to accept.

`look.look` is the way in: `prepare` (what the network is given), `network` (run by OpenCV), `channels` (its maps), `ways`
(points and lines on them), `assembly` (teeth, roots, canals, files), `certainty` (probabilities), `refine` (fits on the film).
`training` makes the weights and is needed by nobody who measures.
"""
