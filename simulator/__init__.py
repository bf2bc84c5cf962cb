"""A simulated engine of known truth with its controller, sensors, drives and faults.

The public door is `breathmap.simulator.run` (simulate, bench, fuelling_error), with `drives`,
`faults`, `parameters` and `settings` for what goes in, and `service` to serve it over a serial
port.
"""
