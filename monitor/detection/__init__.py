"""What the belt and the sensors are doing: whole-belt walk, section wobble, sensor faults."""
