"""Before and beside the camera: the plan of a shoot, the check of a shot, the profile of a print."""
