//! `scene --points POINTS.toml -o DIR`: scene and path of one moving point, without video.
