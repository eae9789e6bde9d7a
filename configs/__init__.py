"""The shipped settings files, one per subject and sheet. Installed as the package featurediff_configs."""
