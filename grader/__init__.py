"""Grade a tray of plant cuttings from one photo on a printed mat.

The flow, top to bottom as in the folder listing::

    capture/   photo file          -> Photo
    locate/    Photo               -> MatPose, FlatView
    outline/   FlatView            -> Silhouette ...
    shape/     Silhouette          -> CuttingShape
    traits/    CuttingShape        -> Traits
    verdict/   Traits + targets    -> Grade
    write/     GradedPhoto         -> pictures, JSON, CSV, terminal
"""
