"""Choose, keep and retire anchors; plan the tray.

In: a calibration, and berries or lots of known force.
Out: the anchor set, how long it holds, and which lots to pull.
"""
