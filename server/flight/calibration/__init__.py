"""What a sensor reads against what is so: bias, scale, crossed axes, each with its sigma. Pure computation, SI units.

Every `sigma` is told so that the truth lies within two of them in about 95 of 100 calibrations: where the scatter
itself is known from few numbers only, the sigma is widened accordingly (Student's t). What cannot be told raises
`UncalibratedFault`, whose text is one plain sentence. Calibrated value = matrix (raw - bias), shapes (3, 3) and (3,).

`rest` finds the stretches in which a vehicle lay still; `accelerometer`, `gyro`, `allan`, `alignment`, `magnetometer`
and `barometer` each take what was heard there. After IEEE Std 1293 and 952 and NIST SP 1065, all three from memory.
"""
