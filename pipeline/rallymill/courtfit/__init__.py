"""Find the court in a picture, fit the camera to it and follow it from frame to frame.

``evidence`` finds bright thin lines, ``search`` tries court models on them, ``profile`` measures
lines to a fraction of a pixel, ``solve`` fits a camera to such measurements, ``lock`` joins these
to a court found in one picture, ``support`` tells whether a court is really there, ``tracker``
follows it, ``bundle`` finds the place of the camera from many frames, ``smooth`` makes the final
cameras and ``follow`` does all this for a whole view.
"""
