"""What every room shares; each module is imported by its own name.

- `units`, `angles`, `geo`: conversions, angles in degrees, positions on the ellipsoid
- `series`, `stats`: time series on one clock; estimates with their interval, normal quantiles
- `points`: point of sail, defined once
- `channels`: the one table of quantities: name, unit, sign, range, label
- `model`, `errors`: the records that rooms hand on; exceptions and findings
- `progress`, `staging`, `showing`: progress on a terminal, files written whole or not at all,
  how a result shows itself at a prompt
"""
