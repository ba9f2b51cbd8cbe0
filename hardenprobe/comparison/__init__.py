"""Two reviews beside each other: what changed, why, and how long each finding has been open."""
