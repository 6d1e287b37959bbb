"""What is still to come: time to the edge limit, and the belt's camber in the trade's measure."""

from monitor.forecast.camber import Splice, camber_percent, crooked_splice
from monitor.forecast.edge import EdgeForecast, edge_forecast

__all__ = ["EdgeForecast", "Splice", "camber_percent", "crooked_splice", "edge_forecast"]
