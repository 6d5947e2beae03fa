"""An invented plant's viscosity readings, shipped so that the dashboard has something to show."""
