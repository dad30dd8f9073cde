"""Simulated meters, radio nodes and a broker, so that a site runs on a desk: no radio, no meter, no network."""
