"""The shipped examples, one folder per subject and scene. Installed as the package featurediff_demo_cases."""
