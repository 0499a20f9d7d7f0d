"""Route recognition: labels, features, network, baselines, the researcher's path."""
