"""Field-return analytics for a small shop that builds performance transmissions for trucks."""
