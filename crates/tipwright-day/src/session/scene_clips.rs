//! Clips that tell where the cameras stand, of one set-up or several.

use serde::{Deserialize, Serialize};

use super::{Clips, SetUpName};

/// Clips of the set-up.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SceneClips {
    /// Wand waved through the casting volume; none where there is one camera only.
    #[serde(default, skip_serializing_if = "Clips::is_empty")]
    pub wand: Clips,
    /// Wand hung still from one end; at two places where there is one camera only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub plumb: Option<Clips>,
    /// A bright ball tossed freely.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub toss: Option<Clips>,
}

impl SceneClips {
    /// Its groups of clips by name, the wand first.
    #[must_use]
    pub fn groups(&self) -> Vec<(&'static str, &Clips)> {
        let wand = Some(&self.wand).filter(|clips| !clips.is_empty());
        let all = [("wand", wand), ("plumb", self.plumb.as_ref()), ("toss", self.toss.as_ref())];
        all.into_iter().filter_map(|(name, clips)| Some((name, clips?))).collect()
    }

    /// The clips that tell where the cameras stand: of the waved wand, or without one of the hung.
    #[must_use]
    pub fn standing(&self) -> (&'static str, &Clips) {
        match &self.plumb {
            Some(plumb) if self.wand.is_empty() => ("plumb", plumb),
            _ => ("wand", &self.wand),
        }
    }
}

/// One of several set-ups.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NamedSetUp {
    /// Name.
    pub name: SetUpName,
    /// Its clips.
    pub scene: SceneClips,
}

/// A set-up with its name, where it has one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SetUpClips<'a> {
    /// Name.
    pub name: Option<&'a SetUpName>,
    /// Its clips.
    pub scene: &'a SceneClips,
}

impl SetUpClips<'_> {
    /// How it is told of beside others.
    #[must_use]
    pub fn shown(&self) -> String {
        self.name.map_or_else(|| "[scene]".to_string(), ToString::to_string)
    }
}
