"""The owner's sheet: rates, whether they change, early signs, what to do, what to trust; estimated by `stats`."""
