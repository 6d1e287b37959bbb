"""From sample times to places on the belt: travel, the belt grid, the camber profile."""
