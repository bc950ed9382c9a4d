//! Values on their way between SQLite's five types, in which the journal's code reads and writes, and PostgreSQL's.
//!
//! In: a value and the type that the server expects, or a column's bytes and type. Out: the other side's value, or an error where there
//! is none that says the same.

use std::error::Error;

use bytes::BytesMut;
use jiff::civil::Date;
use jiff::{Span, Timestamp};
use postgres::types::{FromSql, IsNull, ToSql, Type, to_sql_checked};
use rusqlite::types::{ToSqlOutput, Value};

use super::fault::StoreFault;
use crate::journal::stamp::{parse_stamp, stamp_text};

type Failure = Box<dyn Error + Sync + Send>;

/// PostgreSQL counts time from the beginning of the year 2000.
const EPOCH_MICROS: i64 = 946_684_800_000_000;
const EPOCH_DAY: Date = jiff::civil::date(2000, 1, 1);

/// A value as the store takes and gives it.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct StoreValue(pub(super) Value);

impl StoreValue {
    /// The value of a parameter.
    pub(super) fn of(parameter: &dyn rusqlite::ToSql) -> rusqlite::Result<Self> {
        match parameter.to_sql()? {
            ToSqlOutput::Borrowed(value) => Ok(Self(value.try_into().map_err(StoreFault::boxed)?)),
            ToSqlOutput::Owned(value) => Ok(Self(value)),
            other => Err(StoreFault::boxed(format!("{other:?} is no plain value"))),
        }
    }
}

impl ToSql for StoreValue {
    fn to_sql(&self, ty: &Type, out: &mut BytesMut) -> Result<IsNull, Failure> {
        match (&self.0, ty) {
            (Value::Null, _) => Ok(IsNull::Yes),
            (Value::Integer(number), &Type::INT2) => i16::try_from(*number)?.to_sql(ty, out),
            (Value::Integer(number), &Type::INT4) => i32::try_from(*number)?.to_sql(ty, out),
            (Value::Integer(number), &Type::INT8) => number.to_sql(ty, out),
            (Value::Integer(number @ (0 | 1)), &Type::BOOL) => (*number == 1).to_sql(ty, out),
            (Value::Integer(number), &Type::FLOAT8) => (*number as f64).to_sql(ty, out),
            (Value::Real(number), &Type::FLOAT8) => number.to_sql(ty, out),
            (Value::Text(text), &Type::TEXT | &Type::VARCHAR) => text.to_sql(ty, out),
            (Value::Text(text), &Type::TIMESTAMPTZ) => {
                (parse_stamp(text)?.as_microsecond() - EPOCH_MICROS).to_sql(&Type::INT8, out)
            }
            (Value::Text(text), &Type::DATE) => {
                let days = EPOCH_DAY.until(text.parse::<Date>()?)?.get_days();
                days.to_sql(&Type::INT4, out)
            }
            (Value::Text(text), &Type::UUID) => {
                let bytes = uuid_bytes(text).ok_or_else(|| format!("'{text}' is no UUID"))?;
                out.extend_from_slice(&bytes);
                Ok(IsNull::No)
            }
            (Value::Blob(bytes), &Type::BYTEA) => bytes.to_sql(ty, out),
            (value, ty) => Err(format!(
                "a value of type {} does not go into {ty}",
                value.data_type()
            )
            .into()),
        }
    }

    /// Whether it fits depends on the value: the conversion says.
    fn accepts(_: &Type) -> bool {
        true
    }

    to_sql_checked!();
}

impl<'a> FromSql<'a> for StoreValue {
    fn from_sql(ty: &Type, raw: &'a [u8]) -> Result<Self, Failure> {
        let value = match ty {
            &Type::INT2 => Value::Integer(i16::from_sql(ty, raw)?.into()),
            &Type::INT4 => Value::Integer(i32::from_sql(ty, raw)?.into()),
            &Type::INT8 => Value::Integer(i64::from_sql(ty, raw)?),
            &Type::BOOL => Value::Integer(bool::from_sql(ty, raw)?.into()),
            &Type::FLOAT4 => Value::Real(f32::from_sql(ty, raw)?.into()),
            &Type::FLOAT8 => Value::Real(f64::from_sql(ty, raw)?),
            &Type::TEXT | &Type::VARCHAR => Value::Text(String::from_sql(ty, raw)?),
            &Type::BYTEA => Value::Blob(Vec::from_sql(ty, raw)?),
            &Type::TIMESTAMPTZ => {
                let micros = i64::from_sql(&Type::INT8, raw)?;
                let micros = micros.checked_add(EPOCH_MICROS).ok_or("no time of day")?;
                Value::Text(stamp_text(Timestamp::from_microsecond(micros)?))
            }
            &Type::DATE => {
                let days = i32::from_sql(&Type::INT4, raw)?;
                let day = EPOCH_DAY.checked_add(Span::new().try_days(days)?)?;
                Value::Text(day.to_string())
            }
            &Type::UUID => Value::Text(uuid_text(raw)),
            ty => return Err(format!("nothing here reads the type {ty}").into()),
        };
        Ok(Self(value))
    }

    fn from_sql_null(_: &Type) -> Result<Self, Failure> {
        Ok(Self(Value::Null))
    }

    fn accepts(ty: &Type) -> bool {
        matches!(
            *ty,
            Type::INT2
                | Type::INT4
                | Type::INT8
                | Type::BOOL
                | Type::FLOAT4
                | Type::FLOAT8
                | Type::TEXT
                | Type::VARCHAR
                | Type::BYTEA
                | Type::TIMESTAMPTZ
                | Type::DATE
                | Type::UUID
        )
    }
}

/// As PostgreSQL writes it, with or without hyphens.
fn uuid_bytes(text: &str) -> Option<[u8; 16]> {
    let digits: Vec<char> = text.chars().filter(|c| *c != '-').collect();
    if digits.len() != 32 {
        return None;
    }
    let mut bytes = [0; 16];
    for (byte, pair) in bytes.iter_mut().zip(digits.chunks(2)) {
        let digit = |at: usize| pair[at].to_digit(16);
        *byte = (digit(0)? * 16 + digit(1)?) as u8;
    }
    Some(bytes)
}

fn uuid_text(bytes: &[u8]) -> String {
    let mut text = String::with_capacity(36);
    for (place, byte) in bytes.iter().enumerate() {
        if matches!(place, 4 | 6 | 8 | 10) {
            text.push('-');
        }
        text.push_str(&format!("{byte:02x}"));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(text: &str) -> Value {
        Value::Text(text.to_owned())
    }

    fn written(value: &Value, ty: &Type) -> Result<Vec<u8>, String> {
        let mut out = BytesMut::new();
        match StoreValue(value.clone()).to_sql(ty, &mut out) {
            Ok(IsNull::No) => Ok(out.to_vec()),
            Ok(IsNull::Yes) => Err("null".into()),
            Err(error) => Err(error.to_string()),
        }
    }

    #[test]
    fn what_the_store_takes_it_gives_back() {
        for (value, ty) in [
            (Value::Integer(-7), Type::INT2),
            (Value::Integer(70_000), Type::INT4),
            (Value::Integer(i64::MIN), Type::INT8),
            (Value::Integer(1), Type::BOOL),
            (Value::Integer(0), Type::BOOL),
            (Value::Real(0.1 + 0.2), Type::FLOAT8),
            (text("it's é"), Type::TEXT),
            (text(""), Type::VARCHAR),
            (text("2026-05-01T17:03:09.250Z"), Type::TIMESTAMPTZ),
            (text("1999-12-31T23:59:59.999Z"), Type::TIMESTAMPTZ),
            (text("1969-07-20T20:17:40.000Z"), Type::TIMESTAMPTZ),
            (text("2026-02-28"), Type::DATE),
            (text("1999-12-31"), Type::DATE),
            (text("0f8fad5b-d9cb-469f-a165-70867728950e"), Type::UUID),
            (Value::Blob(vec![0, 255, 7]), Type::BYTEA),
            (Value::Blob(vec![]), Type::BYTEA),
        ] {
            let bytes = written(&value, &ty).unwrap();
            assert!(<StoreValue as FromSql>::accepts(&ty));
            let back = StoreValue::from_sql(&ty, &bytes).unwrap();
            assert_eq!(back, StoreValue(value), "{ty}");
        }
        // A whole number goes where a fraction is expected.
        let bytes = written(&Value::Integer(3), &Type::FLOAT8).unwrap();
        assert_eq!(
            StoreValue::from_sql(&Type::FLOAT8, &bytes).unwrap().0,
            Value::Real(3.0)
        );
        let narrow = 1.5f32.to_be_bytes();
        assert_eq!(
            StoreValue::from_sql(&Type::FLOAT4, &narrow).unwrap().0,
            Value::Real(1.5)
        );
    }

    #[test]
    fn nothing_goes_anywhere_and_what_does_not_fit_is_refused() {
        for ty in [Type::INT8, Type::TEXT, Type::NUMERIC, Type::TIMESTAMPTZ] {
            assert_eq!(written(&Value::Null, &ty), Err("null".into()));
            assert_eq!(
                StoreValue::from_sql_null(&ty).unwrap(),
                StoreValue(Value::Null)
            );
        }
        for (value, ty) in [
            (Value::Integer(40_000), Type::INT2),
            (Value::Integer(1 << 40), Type::INT4),
            (Value::Integer(2), Type::BOOL),
            (Value::Integer(1), Type::TEXT),
            (Value::Real(1.0), Type::INT8),
            (text("1"), Type::INT8),
            (text("yesterday"), Type::TIMESTAMPTZ),
            (text("2026-02-30"), Type::DATE),
            (text("0f8fad5b-d9cb-469f-a165-70867728950"), Type::UUID),
            (text("0f8fad5b-d9cb-469f-a165-7086772895zz"), Type::UUID),
            (text("a"), Type::BYTEA),
            (Value::Blob(vec![65]), Type::TEXT),
            (text("1"), Type::NUMERIC),
        ] {
            let error = written(&value, &ty).unwrap_err();
            assert_ne!(error, "null", "{value:?} {ty}");
        }
        assert!(!<StoreValue as FromSql>::accepts(&Type::NUMERIC));
        assert!(StoreValue::from_sql(&Type::NUMERIC, &[0; 8]).is_err());
        // The store knows an endless time; the journal has no stamp for it.
        assert!(StoreValue::from_sql(&Type::TIMESTAMPTZ, &i64::MAX.to_be_bytes()).is_err());
        assert!(StoreValue::from_sql(&Type::DATE, &i32::MAX.to_be_bytes()).is_err());
    }

    #[test]
    fn parameters_become_plain_values() {
        let of = |parameter: &dyn rusqlite::ToSql| StoreValue::of(parameter).unwrap().0;
        assert_eq!(of(&true), Value::Integer(1));
        assert_eq!(of(&7u32), Value::Integer(7));
        assert_eq!(of(&"a"), text("a"));
        assert_eq!(of(&None::<String>), Value::Null);
        assert_eq!(of(&vec![1u8, 2]), Value::Blob(vec![1, 2]));
        assert_eq!(of(&Value::Real(0.5)), Value::Real(0.5));
    }
}
