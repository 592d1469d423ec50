"""The service's control beside a thermostat and a plain PID: same plants, readings and relay limits in one run."""
