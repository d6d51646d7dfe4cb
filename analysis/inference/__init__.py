"""Statistics that know no dairy."""
