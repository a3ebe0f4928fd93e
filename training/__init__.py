"""Drawing, training, judging and timing of the detector."""
