//! board sheet
