"""The demonstration: a made-up studio in which a potter walks about and the light keeps up."""
