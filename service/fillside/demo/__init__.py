"""The demonstration: a simulated studio in which a potter walks about and the light follows."""
