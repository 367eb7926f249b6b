"""firmhand's desk side: from peaks and finger scores to cut points, anchors and verdicts."""
