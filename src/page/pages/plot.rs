//! Plots: points with their uncertainty, the band, the median, and changes of plan.
//!
//! In: points and a band in a measure's unit. Out: an SVG drawing. Its colors are placeholders that the style sheet replaces,
//! for light and dark; a verdict also has its own shape.

use plotters::prelude::*;

use crate::coach::Verdict;
use crate::page::error::PageError;

/// Width and height of a drawing, pixels.
pub(super) const LARGE: (u32, u32) = (960, 380);
pub(super) const SMALL: (u32, u32) = (480, 220);

/// Placeholders for the style sheet's colors.
const INK: RGBColor = RGBColor(1, 1, 1);
const QUIET: RGBColor = RGBColor(2, 2, 2);
const BAND: RGBColor = RGBColor(3, 3, 3);
const IN: RGBColor = RGBColor(4, 4, 4);
const OUT: RGBColor = RGBColor(5, 5, 5);
const LINE: RGBColor = RGBColor(6, 6, 6);

/// A point of a plot.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Point {
    /// Where along the axis.
    pub(super) x: f64,
    /// The value.
    pub(super) y: f64,
    /// The ends of its uncertainty or spread.
    pub(super) range: (f64, f64),
    pub(super) verdict: Option<Verdict>,
    /// The page that it links to.
    pub(super) link: Option<String>,
}

/// What is drawn.
pub(super) struct Plot<'a> {
    /// In the order of x.
    pub(super) points: &'a [Point],
    /// The band's ends, where they are closed.
    pub(super) band: (Option<f64>, Option<f64>),
    /// The median as a line.
    pub(super) median: &'a [(f64, f64)],
    /// Where something changed, and what.
    pub(super) changes: &'a [(f64, String)],
    /// The unit of y.
    pub(super) unit: &'a str,
    /// The label at x.
    pub(super) label: &'a dyn Fn(f64) -> String,
    /// Width and height, pixels.
    pub(super) size: (u32, u32),
}

impl Plot<'_> {
    /// The drawing. `None` where there is nothing to draw.
    pub(super) fn svg(&self) -> Result<Option<String>, PageError> {
        let (Some(first), Some(last)) = (self.points.first(), self.points.last()) else {
            return Ok(None);
        };
        let pad = 0.02 * (last.x - first.x).max(1.0);
        let x = (first.x - pad)..(last.x + pad);
        let y = self.y_range();
        let mut svg = String::new();
        self.draw(&mut svg, x, y).map_err(|error| {
            tracing::error!(%error, "a plot could not be drawn");
            PageError::Internal
        })?;
        Ok(Some(linked(&svg, self.points)))
    }

    /// The range of the points, with the band's ends where they are near.
    fn y_range(&self) -> std::ops::Range<f64> {
        let values = self.points.iter().flat_map(|p| [p.range.0, p.range.1, p.y]);
        let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| {
            (low.min(value), high.max(value))
        });
        let span = (high - low).max(1.0);
        let near = |end: f64| (low - span..high + span).contains(&end);
        let ends = [self.band.0, self.band.1]
            .into_iter()
            .flatten()
            .filter(|e| near(*e));
        let (low, high) = ends.fold((low, high), |(low, high), end| {
            (low.min(end), high.max(end))
        });
        // Values that are nearly alike look so.
        let widened = (1.0 - (high - low)).max(0.0) / 2.0;
        let pad = widened + 0.06 * (high - low).max(1.0);
        (low - pad)..(high + pad)
    }

    fn draw(
        &self,
        svg: &mut String,
        x: std::ops::Range<f64>,
        y: std::ops::Range<f64>,
    ) -> Result<(), Box<dyn std::error::Error>> {
        let root = SVGBackend::with_string(svg, self.size).into_drawing_area();
        let mut chart = ChartBuilder::on(&root)
            .margin(10)
            // The last label stands half beyond the axis.
            .margin_right(if self.size == SMALL { 20 } else { 80 })
            .x_label_area_size(34)
            .y_label_area_size(64)
            .build_cartesian_2d(x.clone(), y.clone())?;
        let low = self.band.0.unwrap_or(y.start).clamp(y.start, y.end);
        let high = self.band.1.unwrap_or(y.end).clamp(y.start, y.end);
        if self.band.0.is_some() || self.band.1.is_some() {
            let area = Rectangle::new([(x.start, low), (x.end, high)], BAND.filled());
            chart.draw_series(std::iter::once(area))?;
        }
        chart
            .configure_mesh()
            .disable_x_mesh()
            .light_line_style(TRANSPARENT)
            .bold_line_style(LINE)
            .axis_style(QUIET)
            .x_labels(if self.size == SMALL { 4 } else { 7 })
            .y_labels(6)
            .x_label_formatter(&|place| (self.label)(*place))
            .y_desc(self.unit)
            .label_style(("sans-serif", 16, &INK))
            .axis_desc_style(("sans-serif", 16, &INK))
            .draw()?;
        for (place, words) in self.changes {
            chart.draw_series(std::iter::once(PathElement::new(
                vec![(*place, y.start), (*place, y.end)],
                QUIET.stroke_width(2),
            )))?;
            let at = (*place, y.end - 0.02 * (y.end - y.start));
            chart.draw_series(std::iter::once(
                EmptyElement::at(at)
                    + Text::new(
                        words.clone(),
                        (5, 2),
                        TextStyle::from(("sans-serif", 15)).color(&INK),
                    ),
            ))?;
        }
        chart.draw_series(
            self.points
                .iter()
                .map(|p| PathElement::new(vec![(p.x, p.range.0), (p.x, p.range.1)], QUIET)),
        )?;
        chart.draw_series(LineSeries::new(
            self.median.iter().copied(),
            INK.stroke_width(2),
        ))?;
        chart.draw_series(self.points.iter().map(|p| {
            let color = match p.verdict {
                Some(Verdict::In) => IN,
                Some(_) => OUT,
                None => QUIET,
            };
            // A miss also shows by its shape: the triangle points up above the band, down below it.
            let corners = match p.verdict {
                Some(Verdict::High) => vec![(0, -6), (6, 5), (-6, 5)],
                Some(Verdict::Low) => vec![(0, 6), (6, -5), (-6, -5)],
                Some(Verdict::In) | None => {
                    vec![
                        (0, -5),
                        (4, -4),
                        (5, 0),
                        (4, 4),
                        (0, 5),
                        (-4, 4),
                        (-5, 0),
                        (-4, -4),
                    ]
                }
            };
            EmptyElement::at((p.x, p.y)) + Polygon::new(corners, color.filled())
        }))?;
        root.present()?;
        Ok(())
    }
}

/// The drawing with its points as links. Only points are polygons, and they are drawn in their order. The links are out of the
/// keyboard's way, for there may be hundreds: the table below the plot has the same ones.
fn linked(svg: &str, points: &[Point]) -> String {
    let mut parts = svg.split("<polygon");
    let mut whole = parts.next().unwrap_or_default().to_owned();
    let links = points.iter().map(|point| point.link.as_deref());
    for (part, link) in parts.zip(links.chain(std::iter::repeat(None))) {
        match (link, part.split_once("/>")) {
            // Addresses are ours and have no signs that mean something in a drawing.
            (Some(link), Some((polygon, after))) => {
                whole += &format!(
                    "<a href=\"{link}\" tabindex=\"-1\" aria-hidden=\"true\"><polygon{polygon}/></a>{after}"
                );
            }
            _ => {
                whole += "<polygon";
                whole += part;
            }
        }
    }
    whole
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(x: f64, y: f64, verdict: Verdict) -> Point {
        Point {
            x,
            y,
            range: (y - 1.0, y + 1.0),
            verdict: Some(verdict),
            link: Some(format!("/reps/{x}")),
        }
    }

    #[test]
    fn a_plot_shows_each_point_its_band_and_its_unit_and_can_be_read() {
        let points = [
            point(1.0, 4.0, Verdict::In),
            point(2.0, 12.0, Verdict::High),
            point(3.0, -6.0, Verdict::Low),
        ];
        let plot = Plot {
            points: &points,
            band: (Some(-4.0), Some(10.0)),
            median: &[(1.0, 4.0), (3.0, 4.0)],
            changes: &[(2.0, "head <still>".into())],
            unit: "cm",
            label: &|x| format!("{x:.0}"),
            size: LARGE,
        };
        let svg = plot.svg().unwrap().unwrap();
        assert_eq!(svg.matches("<polygon").count(), 3);
        for rep in 1..=3 {
            let link = format!("<a href=\"/reps/{rep}\" ");
            assert_eq!(svg.matches(&link).count(), 1, "{svg}");
        }
        assert_eq!(svg.matches("</a>").count(), 3);
        assert!(svg.contains("#030303") && svg.contains("cm"));
        assert!(!svg.contains("<still>"), "words cannot become marks");
        // A light parser of our own would prove little; the browser tests draw it.
        assert!(svg.trim_end().ends_with("</svg>"));
        let none = Plot {
            points: &[],
            ..plot
        };
        assert!(none.svg().unwrap().is_none());
    }
}
