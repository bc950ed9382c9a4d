//! The judge's model: a few small networks of one hidden layer each, whose answers are averaged.
//!
//! In: the file that `models/judge/train.py` writes, once; then values of moments. Out: a probability. No framework: sums in
//! a fixed order, so that the same values give the same answer on every machine.

use serde::Deserialize;

/// What the file's first line says; the rest are the weights, 32-bit floats, little endian: for each network the hidden
/// layer's weights by unit, its offsets, then the output's weights and offset.
#[derive(Deserialize)]
struct Header {
    format: String,
    version: u32,
    values: usize,
    networks: usize,
    hidden: usize,
    /// Probability = 1 / (1 + exp(-(slope * mean answer + offset))).
    slope: f64,
    offset: f64,
}

/// The networks of one file.
pub(super) struct Networks {
    values: usize,
    hidden: usize,
    weights: Vec<f32>,
    slope: f64,
    offset: f64,
}

impl Networks {
    /// Reads a model file; the error says what is wrong with it.
    pub(super) fn read(file: &[u8]) -> Result<Self, String> {
        let line = file
            .iter()
            .position(|b| *b == b'\n')
            .ok_or("no first line")?;
        let header: Header =
            serde_json::from_slice(&file[..line]).map_err(|e| format!("first line: {e}"))?;
        if header.format != "swing-judge" || header.version != 1 {
            return Err(format!("{} of version {}", header.format, header.version));
        }
        let (rest, left_over) = file[line + 1..].as_chunks::<4>();
        let weights: Vec<f32> = rest.iter().map(|b| f32::from_le_bytes(*b)).collect();
        let each = header.hidden * (header.values + 2) + 1;
        if !left_over.is_empty() || weights.len() != header.networks * each || weights.is_empty() {
            return Err(format!(
                "{} weights for {}",
                weights.len(),
                header.networks * each
            ));
        }
        Ok(Self {
            values: header.values,
            hidden: header.hidden,
            weights,
            slope: header.slope,
            offset: header.offset,
        })
    }

    /// How many values it reads.
    pub(super) fn values(&self) -> usize {
        self.values
    }

    /// The probability of a swing.
    pub(super) fn probability(&self, values: &[f32]) -> f64 {
        let each = self.hidden * (self.values + 2) + 1;
        let (mut sum, mut count) = (0.0, 0.0);
        for network in self.weights.chunks_exact(each) {
            let (hidden, rest) = network.split_at(self.hidden * self.values);
            let (offsets, output) = rest.split_at(self.hidden);
            let mut answer = f64::from(output[self.hidden]);
            for ((weights, offset), out) in hidden
                .chunks_exact(self.values)
                .zip(offsets)
                .zip(&output[..self.hidden])
            {
                let unit: f64 = weights
                    .iter()
                    .zip(values)
                    .map(|(w, v)| f64::from(*w) * f64::from(*v))
                    .sum::<f64>()
                    + f64::from(*offset);
                answer += f64::from(*out) * unit.max(0.0);
            }
            sum += answer;
            count += 1.0;
        }
        1.0 / (1.0 + (-(self.slope * sum / count + self.offset)).exp())
    }
}
