//! The safety notice: shown at the start of every run and in the help.

use crate::sound::Language;

/// The notice.
pub(super) const NOTICE: &str = "\
Safety: cagehand is not a substitute for qualified instruction or injury screening. Pain or dizziness: stop.
Keep the camera and PC behind a net and out of the ball's path, and everyone out of reach of the bat. Local facility
rules and licensed practitioners come first. No video is stored unless it is turned on in the settings, sound never;
names are optional.";

const SPANISH: &str = "\
Seguridad: cagehand no sustituye la instrucción calificada ni una evaluación de lesiones. Si hay dolor o mareo, pare.
La cámara y la computadora van detrás de una red y fuera del camino de la pelota; nadie se pone al alcance del bate. Las
reglas del lugar y los profesionales con licencia van primero. No se guarda video si no se activa en la configuración, y
sonido nunca; los nombres son opcionales.";

/// The notice in a language.
pub(super) const fn in_language(language: Language) -> &'static str {
    match language {
        Language::English => NOTICE,
        Language::Spanish => SPANISH,
    }
}
