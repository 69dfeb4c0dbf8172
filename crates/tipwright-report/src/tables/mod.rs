//! Tables: one row per stroke as CSV, Parquet and JSON, and the paths as Parquet for queries over many sessions.
//!
//! Columns: identity first, then the figures in the order of [`FigureId::ALL`], each as `q` and `q_sd` (one
//! standard deviation, same unit). A figure that cannot be had is empty, never zero.

pub mod evidence;
pub mod paths;
pub mod small_csv;
pub mod strokes_csv;
pub mod strokes_json;
pub mod strokes_parquet;

use tipwright::model::stroke::LoopShape;
use tipwright::model::{Direction, FigureId, RspSource, Stroke};

/// One row of the stroke tables.
#[derive(Debug, Clone, Copy)]
pub struct StrokeRow<'a> {
    /// Name of the session.
    pub session: &'a str,
    /// Name of the take.
    pub take: &'a str,
    /// Id of the caster.
    pub caster: &'a str,
    /// Label to compare by.
    pub phase: Option<&'a str>,
    /// The stroke.
    pub stroke: &'a Stroke,
}

/// A column of the stroke tables.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Column {
    /// Text: name and definition.
    Text(TextColumn),
    /// The stroke's number.
    StrokeNumber,
    /// Probability of the stroke's direction.
    DirectionP,
    /// Probability of the stroke's kind.
    KindP,
    /// A figure.
    Figure(FigureId),
    /// Its standard deviation.
    Sd(FigureId),
}

/// A column of text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TextColumn {
    /// Session.
    Session,
    /// Take.
    Take,
    /// Caster.
    Caster,
    /// Phase.
    Phase,
    /// Direction.
    Direction,
    /// Pick-up, false, delivery, single.
    Kind,
    /// Source of rod straight position.
    RspSource,
    /// Shape of the loop.
    LoopShape,
}

impl Column {
    /// All columns in order.
    #[must_use]
    pub fn all() -> Vec<Self> {
        use TextColumn as T;
        let mut columns = vec![
            Self::Text(T::Session),
            Self::Text(T::Take),
            Self::Text(T::Caster),
            Self::Text(T::Phase),
            Self::StrokeNumber,
            Self::Text(T::Direction),
            Self::DirectionP,
            Self::Text(T::Kind),
            Self::KindP,
        ];
        for &id in FigureId::ALL {
            columns.extend([Self::Figure(id), Self::Sd(id)]);
            match id {
                FigureId::Duration => columns.push(Self::Text(T::RspSource)),
                FigureId::LoopSpeed => columns.push(Self::Text(T::LoopShape)),
                _ => {}
            }
        }
        columns
    }

    /// Name in the header.
    #[must_use]
    pub fn name(self) -> String {
        match self {
            Self::StrokeNumber => "stroke".into(),
            Self::DirectionP => "direction_p".into(),
            Self::KindP => "kind_p".into(),
            Self::Figure(id) => id.info().key.into(),
            Self::Sd(id) => format!("{}_sd", id.info().key),
            Self::Text(text) => match text {
                TextColumn::Session => "session",
                TextColumn::Take => "take",
                TextColumn::Caster => "caster",
                TextColumn::Phase => "phase",
                TextColumn::Direction => "direction",
                TextColumn::Kind => "kind",
                TextColumn::RspSource => "rsp_source",
                TextColumn::LoopShape => "loop_shape",
            }
            .into(),
        }
    }

    /// Unit, empty for text and ratios.
    #[must_use]
    pub fn unit(self) -> &'static str {
        match self {
            Self::Figure(id) | Self::Sd(id) => id.info().unit,
            Self::Text(_) | Self::StrokeNumber | Self::DirectionP | Self::KindP => "",
        }
    }

    /// What it means.
    #[must_use]
    pub fn definition(self) -> String {
        match self {
            Self::StrokeNumber => "Number of the stroke within its take, from 1.".into(),
            Self::DirectionP => "Probability that the stroke goes that way.".into(),
            Self::KindP => "Probability that the stroke is of that kind.".into(),
            Self::Figure(id) => id.info().definition.into(),
            Self::Sd(id) => format!("One standard deviation of {}.", id.info().key),
            Self::Text(text) => match text {
                TextColumn::Session => "Name of the session.",
                TextColumn::Take => "Name of the take.",
                TextColumn::Caster => "Id of the caster.",
                TextColumn::Phase => "Label to compare by; empty when none was given.",
                TextColumn::Direction => "forward or back.",
                TextColumn::Kind => {
                    "pick-up: the first of a sequence; false: line in the air before and after; delivery: the last; \
                     single: a sequence of its own."
                }
                TextColumn::RspSource => {
                    "bend: the bend's zero crossing after its maximum; speed: the time of peak tip speed."
                }
                TextColumn::LoopShape => "Shape of the loop where the line was measured.",
            }
            .into(),
        }
    }
}

impl StrokeRow<'_> {
    /// Text of a column; `None` when it has none here.
    #[must_use]
    pub fn text(&self, column: TextColumn) -> Option<&str> {
        match column {
            TextColumn::Session => Some(self.session),
            TextColumn::Take => Some(self.take),
            TextColumn::Caster => Some(self.caster),
            TextColumn::Phase => self.phase,
            TextColumn::Direction => Some(direction_word(self.stroke.direction)),
            TextColumn::Kind => Some(self.stroke.kind.key()),
            TextColumn::RspSource => Some(match self.stroke.rsp_source {
                RspSource::Bend => "bend",
                RspSource::Speed => "speed",
            }),
            TextColumn::LoopShape => self.stroke.loop_shape.map(loop_word),
        }
    }

    /// Number of a column; `None` when the figure cannot be had or the column is text.
    #[must_use]
    pub fn number(&self, column: Column) -> Option<f64> {
        match column {
            Column::Figure(id) => self.stroke.figures.get(id).map(|m| m.value),
            Column::Sd(id) => self.stroke.figures.get(id).map(|m| m.sd),
            Column::StrokeNumber => Some(f64::from(self.stroke.stroke)),
            Column::DirectionP => Some(self.stroke.direction_p),
            Column::KindP => Some(self.stroke.kind_p),
            Column::Text(_) => None,
        }
    }
}

/// `forward` or `back`.
#[must_use]
pub fn direction_word(direction: Direction) -> &'static str {
    match direction {
        Direction::Forward => "forward",
        Direction::Back => "back",
    }
}

/// Word of a loop shape, as in the tables.
#[must_use]
pub fn loop_word(shape: LoopShape) -> &'static str {
    match shape {
        LoopShape::Convex => "convex",
        LoopShape::Straight => "straight",
        LoopShape::Concave => "concave",
        LoopShape::Crossing => "crossing",
        LoopShape::Tailing => "tailing",
    }
}
