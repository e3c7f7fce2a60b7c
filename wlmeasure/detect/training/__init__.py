"""How the network of `wlmeasure.detect` is trained: films from `wlmeasure.phantom`, weights from a random start.

    python -m wlmeasure.detect.training --out DIR --seconds N --workers 16 --seed S [--resume DIR]

Needs the extra `train`; nobody who measures films does. `labels` is the truth of a film as the network is to say it,
`films` a film drawn from a seed, `supply` the processes that make films while others are trained on, `network`, `augment` and
`loop` the training, `export` the ONNX file that `cv2.dnn` runs, `card` what is written beside it.
"""
