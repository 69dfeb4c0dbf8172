//! session.toml and the truth, as text.

use nalgebra::Vector3;
use tipwright::model::{Camera, ReportUnits};
use tipwright_day::session::{
    AirC, AlongRodM, ButtMarker, CameraName, CaptureFps, CasterId, ClipTimeS, Clips, Hand, Line, LineClass,
    LineOutM, MarkerMm, Markers, Phase, Rod, RodLengthM, SceneClips, Session, SessionCamera, SessionId, Take,
    TakeName, TipMarker, Wand, WandLengthM,
};

use super::{Item, LAME, Shoot, What};
use crate::day::{SimulateError, faults, long, truth};
use crate::phone::clip::SpotTruth;
use crate::truth_figures::{TruthConfig, strokes_json, true_strokes};
use std::path::Path;
use std::sync::PoisonError;
use tipwright_physics::motion::RodMotion;

impl Shoot<'_> {
    /// The session as its file says it.
    ///
    /// # Errors
    /// A plan with names or numbers that no session can have.
    pub fn session(&self) -> Result<Session, SimulateError> {
        let plan = self.plan;
        let clips = |item: &Item| -> Result<Clips, SimulateError> {
            let filmed = item.ticks.iter().map(|t| !t.is_empty());
            plan.cameras
                .iter()
                .zip(&item.files)
                .zip(filmed)
                .filter(|(_, filmed)| *filmed)
                .map(|((c, f), _)| Ok((CameraName::new(&c.name)?, f.clone())))
                .collect()
        };
        let find = |name: &str| self.items.iter().find(|i| i.name == name).map(clips).transpose();
        let butt = |(at_m, colour, mm): &(f64, _, f64)| -> Result<ButtMarker, SimulateError> {
            Ok(ButtMarker { at_m: AlongRodM::new(*at_m)?, colour: *colour, diameter_mm: MarkerMm::new(*mm)? })
        };
        let camera = |k: usize| -> Result<SessionCamera, SimulateError> {
            let capture_fps = (plan.modes[k].slowed_by > 1 && !plan.modes[k].slow_tag)
                .then(|| CaptureFps::new(f64::from(plan.modes[k].fps)))
                .transpose()?;
            Ok(SessionCamera {
                name: CameraName::new(&plan.cameras[k].name)?,
                lens: self.lens_file(k),
                board: plan.board,
                readout_ms: None,
                capture_fps,
                rough_position_m: None,
                rough_look_at_m: None,
            })
        };
        let take =
            |(take_idx, take): (usize, &crate::day::planned::PlannedTake)| -> Result<Take, SimulateError> {
                // the clip that holds all takes, or its own
                let span = long::filed_spans(plan).get(take_idx).copied();
                let clip = if span.is_some() { long::CLIP } else { &take.name };
                let [from_s, to_s] = [0, 1].map(|end| span.map(|s| ClipTimeS::new(s.take_s[end])));
                Ok(Take {
                    name: TakeName::new(&take.name)?,
                    caster: CasterId::new(&take.caster)?,
                    phase: take.phase.as_ref().map(Phase::new).transpose()?,
                    clips: find(clip)?.unwrap_or_default(),
                    from_s: from_s.transpose()?,
                    to_s: to_s.transpose()?,
                    set_up: None,
                    goal: take.goal.clone(),
                    take_idx,
                    set_up_idx: Some(0),
                    alone: None,
                })
            };
        Ok(Session {
            schema: tipwright_day::session::SCHEMA,
            id: Some(self.id()?),
            date: None,
            title: plan.title.clone(),
            report_units: ReportUnits::Ft,
            air_temperature_c: AirC::new(plan.air_c)?,
            wand: Wand { length_m: WandLengthM::new(plan.wand_length_m)?, colour: None, diameter_mm: None },
            rod: Rod { length_m: RodLengthM::new(plan.rod_length_m)? },
            line: self.line()?,
            marker: Markers {
                tip: TipMarker { colour: plan.tip.0, diameter_mm: MarkerMm::new(plan.tip.1)? },
                butt: plan.butts.iter().map(butt).collect::<Result<_, _>>()?,
            },
            camera: (0..self.cameras()).map(camera).collect::<Result<_, _>>()?,
            scene: SceneClips {
                wand: find("wand")?.unwrap_or_default(),
                plumb: find("plumb")?,
                toss: find("toss")?,
            },
            set_up: Vec::new(),
            take: plan.takes.iter().enumerate().map(take).collect::<Result<_, _>>()?,
            folder: self.out_dir.clone(),
            casters: plan.casters.clone(),
        })
    }

    /// The line by its class, and how much of it is out.
    fn line(&self) -> Result<Option<Line>, SimulateError> {
        let Some(line) = crate::casters::take_outfit(0.0).line else { return Ok(None) };
        let class = tipwright_physics::line::AFFTA_G.iter().find(|(_, g)| *g == line.weight_g);
        Ok(Some(Line {
            class: class.map(|(class, _)| LineClass::new(f64::from(*class))).transpose()?,
            mass_g_m: None,
            length_out_m: Some(LineOutM::new(line.carry_m)?),
        }))
    }

    /// Its id: day and seed, so that days of one title are told apart.
    fn id(&self) -> Result<SessionId, SimulateError> {
        let kind =
            crate::DayKind::ALL.iter().find(|(_, kind)| *kind == self.plan.kind).map_or("", |(name, _)| name);
        Ok(SessionId::new(format!("simulated-{kind}-{}", self.plan.seed))?)
    }

    /// Files of true strokes and the butt markers their figures stand on: as worn, and by the tip alone, for results
    /// that could not follow the butt markers.
    fn truths(&self) -> [(&'static str, Vec<f64>); 2] {
        [("strokes.json", self.worn_m()), ("strokes_by_tip.json", Vec::new())]
    }

    /// Butt markers worn, from the cap.
    fn worn_m(&self) -> Vec<f64> {
        self.plan.butts.iter().map(|(at_m, ..)| *at_m).collect()
    }

    /// Writes session.toml, casters.csv, lens files where there is no board clip, and the truth.
    ///
    /// # Errors
    /// A file cannot be written.
    pub fn write_texts(&self) -> Result<(), SimulateError> {
        let plan = self.plan;
        let out = &self.out_dir;
        self.write_session(&toml::to_string(&self.session()?)?)?;
        let truth_dir = out.join("truth");
        let spots = self.spots.lock().unwrap_or_else(PoisonError::into_inner);
        if plan.strays {
            faults::write_strays(out)?;
        }
        let lame = plan.cameras.get(LAME).map_or("", |camera| camera.name.as_str());
        if let Some(list) = faults::list(&plan.takes, lame) {
            truth::write(&truth_dir.join("faults.csv"), &list)?;
        }
        let spots_of = |item_idx: usize| -> Vec<(&str, &[SpotTruth])> {
            let cameras = plan.cameras.iter().enumerate();
            cameras
                .filter_map(|(k, c)| Some((c.name.as_str(), spots.get(&(item_idx, k))?.as_slice())))
                .collect()
        };
        for (item_idx, item) in self.items.iter().enumerate() {
            if matches!(item.what, What::Takes) {
                self.write_takes(item, &truth_dir, &spots_of(item_idx))?;
                continue;
            }
            // what cannot be measured has no truth
            if matches!(&item.what, What::Take(take_idx) if plan.takes[*take_idx].fault.is_some()) {
                continue;
            }
            let folder = match item.what {
                What::Take(_) => truth_dir.join("takes").join(&item.name),
                _ => truth_dir.join("scene").join(&item.name),
            };
            let cameras: Vec<Camera> = (0..self.cameras()).map(|k| self.camera_in(item, k)).collect();
            truth::write(&folder.join("clocks.toml"), &truth::clocks_toml(&cameras, &item.clocks)?)?;
            if cameras != plan.cameras {
                // as it stood in this take
                let stood = truth::scene(&cameras, &item.clocks);
                truth::write(&folder.join("scene.toml"), &toml::to_string(&stood)?)?;
            }
            for (camera, spots) in spots_of(item_idx) {
                truth::write(&folder.join(format!("spots_{camera}.csv")), &truth::spots_csv(spots))?;
            }
            match &item.what {
                What::Wand(_) | What::TwiceHung(_) => {
                    let scene = truth::scene(&plan.cameras, &item.clocks);
                    truth::write(&truth_dir.join("scene.toml"), &toml::to_string(&scene)?)?;
                }
                What::Take(take_idx) => {
                    self.write_take(&folder, *take_idx, &self.motions[*take_idx], [0.0, self.end_s(item)])?;
                }
                _ => {}
            }
        }
        Ok(())
    }

    /// session.toml as a person begins it: without what the clips show.
    pub(in crate::day) fn write_begun(&self) -> Result<(), SimulateError> {
        let whole = toml::to_string(&self.session()?)?;
        self.write_session(whole.split("[scene").next().unwrap_or_default())
    }

    /// What each clip is, a row each.
    pub(in crate::day) fn heap_rows(&self) -> String {
        let mut out = String::new();
        let Some(part) = &self.plan.heap else { return out };
        for item in &self.items {
            let (what, take) = match item.what {
                What::Take(take_idx) => ("take", Some(&self.plan.takes[take_idx])),
                What::Stray => ("stray", None),
                _ => (item.name.as_str(), None),
            };
            let caster = take.map_or("", |t| t.caster.as_str());
            let phase = take.and_then(|t| t.phase.as_deref()).unwrap_or_default();
            let card = part.filed.get(&item.name).and_then(|f| f.card);
            for (k, file) in item.files.iter().enumerate().filter(|(k, _)| !item.ticks[*k].is_empty()) {
                let shown = if card.is_some_and(|c| c.camera_idx == k) { "held" } else { "" };
                let set_up = part.set_up_idx + 1;
                out += &format!(
                    "{},{what},{set_up}-{},{set_up},{caster},{phase},{shown}\n",
                    file.display(),
                    item.name
                );
            }
        }
        out
    }

    /// session.toml as given, casters.csv, lens files where there is no board clip, and what is true of all the day.
    fn write_session(&self, text: &str) -> Result<(), SimulateError> {
        let plan = self.plan;
        let out = &self.out_dir;
        truth::write(&out.join("session.toml"), text)?;
        let mut casters = String::from("id,alias,hand,rod_length_m,note\n");
        for c in &plan.casters {
            casters.push_str(&format!(
                "{},{},{},,\"{}\"\n",
                c.id,
                c.alias,
                c.hand.unwrap_or(Hand::Right),
                c.note
            ));
        }
        truth::write(&out.join("casters.csv"), &casters)?;
        let truth_dir = out.join("truth");
        let which = serde_json::json!({ "id": self.id()?, "title": plan.title });
        truth::write(&truth_dir.join("session.json"), &serde_json::to_string_pretty(&which)?)?;
        for (k, camera) in plan.cameras.iter().enumerate() {
            let lens = toml::to_string(&camera.lens)?;
            truth::write(&truth_dir.join("lens").join(format!("{}.toml", camera.name)), &lens)?;
            if plan.board.is_none() {
                truth::write(&out.join(self.lens_file(k)), &lens)?;
            }
        }
        Ok(())
    }

    /// What was true of a take that is a part of a motion.
    fn write_take(
        &self,
        folder: &Path,
        take_idx: usize,
        motion: &RodMotion,
        [from_s, to_s]: [f64; 2],
    ) -> Result<(), SimulateError> {
        let plan = self.plan;
        let path = truth::path_csv(motion, from_s, to_s, self.cameras());
        truth::write(&folder.join("path.csv"), &path)?;
        if let Some(rod) = truth::rod_csv(motion, &self.worn_m(), &Vector3::x(), from_s, to_s) {
            truth::write(&folder.join("rod.csv"), &rod)?;
        }
        truth::write(&folder.join("line.csv"), &truth::line_csv(motion, from_s, to_s))?;
        for (file, butts_at_m) in self.truths() {
            let config = TruthConfig { butts_at_m, until_s: to_s, ..TruthConfig::default() };
            let mut seen = true_strokes(motion, Vector3::x(), &config);
            seen.retain(|s| s.is_within(from_s, to_s));
            let motion_idx = take_idx.min(self.sounds.len().saturating_sub(1));
            self.sounds[motion_idx].put_into(&mut seen);
            let take = &plan.takes[take_idx];
            let phase = take.phase.as_deref();
            let text = strokes_json(&plan.title, &take.name, &take.caster, phase, &seen)?;
            truth::write(&folder.join(file), &text)?;
        }
        Ok(())
    }

    /// The same of all takes in one clip, and where they lie in it.
    fn write_takes(
        &self,
        item: &Item,
        truth_dir: &Path,
        spots: &[(&str, &[SpotTruth])],
    ) -> Result<(), SimulateError> {
        let plan = self.plan;
        let mut list = String::from("take,caster,phase,card_from_s,card_to_s,from_s,to_s\n");
        for (take_idx, (take, span)) in plan.takes.iter().zip(long::spans(plan)).enumerate() {
            // strokes and spots are told by the clock of a clip without the time in which nothing happens
            if plan.idle_s == 0 {
                let folder = truth_dir.join("takes").join(&take.name);
                self.write_take(&folder, take_idx, &self.motions[0], span.take_s)?;
                truth::write(&folder.join("clocks.toml"), &truth::clocks_toml(&plan.cameras, &item.clocks)?)?;
                let [from_s, to_s] = span.take_s;
                for (camera, spots) in spots {
                    let own: Vec<SpotTruth> =
                        spots.iter().filter(|s| (from_s..to_s).contains(&s.t_s)).cloned().collect();
                    truth::write(&folder.join(format!("spots_{camera}.csv")), &truth::spots_csv(&own))?;
                }
            }
            let filed = long::filed_spans(plan)[take_idx];
            let ([up_s, down_s], [from_s, to_s]) = (filed.card_s, filed.take_s);
            let phase = take.phase.as_deref().unwrap_or_default();
            list += &format!(
                "{},{},{phase},{up_s:.3},{down_s:.3},{from_s:.3},{to_s:.3}\n",
                take.name, take.caster
            );
        }
        truth::write(&truth_dir.join("long.csv"), &list)
    }
}
