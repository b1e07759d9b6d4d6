"""The finish check: lay of each region, and every scratch that the surface's own texture doesn't explain."""
