"""What must be known about a sample, besides its soil values, before advice can be given."""

CONTEXT: dict[str, str] = {
    "lab_number": "str",  # key: one row a sample
    "label": "str",  # the grower's name for the place: "north", "A"
    "field_id": "str",  # samples of one field share a report
    "field_name": "str",
    "farm_name": "str",
    "grower_name": "str",
    "region": "str",  # id
    "crop": "str",  # id of tables/crops
    "yield_goal": "float64",  # NaN when not given
    "yield_unit": "str",  # a unit of tables.YieldUnit, or "" for the crop's own
    "previous_crop": "str",  # id of a crop, or ""
    "texture": "str",  # "" when not known
    "soil_group": "str",  # a word of the region's soil_groups, or ""
    "area_ha": "float64",
    "depth_from_cm": "float64",
    "depth_to_cm": "float64",
    "sampled_on": "datetime64[us]",
    "received_on": "datetime64[us]",
    "cores": "float64",
    "bulk_density_g_per_cm3": "float64",  # NaN when not measured
    "lime_percent": "float64",  # free carbonate; NaN when not measured
    "manure_n_kg_per_ha": "float64",  # plant-available this season, as stated; 0 when none, NaN not known
    "manure_p2o5_kg_per_ha": "float64",
    "manure_k2o_kg_per_ha": "float64",
    "manured_since_harvest": "float64",  # 1 manured after the last harvest, 0 not, NaN not known
    "manured_in_three_years": "float64",  # the same for the three years before that
    "near_water": "bool",  # a ditch, stream, well or tile inlet borders the field
    "example": "bool",  # invented: every page is marked
}
