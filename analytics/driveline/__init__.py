"""The load behind the horsepower: torque, traction, stress, clutches, damage, and what they say of each part fitted."""
