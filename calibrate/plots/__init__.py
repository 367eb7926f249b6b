"""Pictures of calibrations, one module a picture. Only here is matplotlib imported."""
