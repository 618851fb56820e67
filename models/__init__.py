"""Learning: sampling, training, the classifier and its examination."""
