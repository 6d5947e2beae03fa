"""Why a row is set aside, not parsed, or used with a remark: a key, and a sentence for people.

One more reason is one more line here. Which table it stands in is its severity.
"""

SET_ASIDE: dict[str, str] = {
    "below_range": "Below range: torque under the window, or recorded as less than a value.",
    "over_range": "Over range: torque above the window, or recorded as more than a value.",
    "no_result": "No viscosity was recorded.",
    "not_positive": "The viscosity is zero or negative, which is no result.",
    "units_row": "The row of units under the header.",
    "summary_row": "A total or a mean over other rows, not a reading.",
    "test_row": "A test, rinse or blank run, not a sample.",
    "blank_row": "A row with nothing in it.",
    "repeated_header": "The header once more.",
    "other_sample_type": "Neither a product sample nor a check standard.",
    "marked_invalid": "Marked invalid where it was recorded.",
    "no_product": "No product is named.",
    "no_batch": "No batch is named.",
    "unit_missing": "No unit is given, so the number says nothing yet.",
    "unit_megapascal": "MPa·s was written, almost surely for mPa·s: a person has to say so.",
    "unit_krebs": "Krebs units have no conversion to mPa·s.",
    "unit_flow_cup": "Seconds of a flow cup have no conversion to mPa·s.",
    "unit_unknown": "The unit is not a known viscosity unit.",
    "unit_needs_density": "A kinematic viscosity needs the density to become mPa·s.",
    "ambiguous_number": "The number can be read two ways (2,010 as 2010 or 2.01).",
    "no_time": "No time is recorded, so its place in the order of production is unknown.",
    "date_out_of_window": "The date lies in the future, or a clock was reset.",
    "impossible_hour": "The local hour does not exist: the clocks skipped it.",
    "torque_disagrees": "Viscosity and torque disagree: one of them was written wrongly.",
    "impossible_value": "More than a hundred times off what its product usually has.",
    "off_temperature": "The sample temperature lies outside the tolerance of the method.",
    "not_by_method": "Spindle or speed is not the one of the method that the row names.",
    "conflict": "The same reading is recorded with different values; none is chosen.",
    "retest": "A later attempt at a reading that already stands; none is dropped.",
    "status_changed": "Recorded as good and also as not to be used; a person has to decide.",
    "undated": "Recorded without a time, beside the same replicate with one; not used.",
    "waiting_for_an_answer": "The file is not stored yet: a question about it is open.",
    "other_remarks": "The same reading and value once more, with other remarks.",
    "changed_in_source": "Changed in its database into another reading; the one before stands.",
    "import_undone": "Its whole import was undone.",
}
UNDONE = "import_undone"
CHANGED = "changed_in_source"

NOT_PARSED: dict[str, str] = {
    "too_many_fields": "More cells than the header has.",
    "too_few_fields": "Fewer cells than the header has.",
    "stray_quote": "A quotation mark in the wrong place.",
    "open_quote": "A quotation mark is opened and not closed.",
    "nul_byte": "A NUL byte, which no text has.",
    "field_too_long": "A cell too long to be meant.",
    "viscosity_not_a_number": "The viscosity is neither a number nor a known word for no result.",
    "cell_not_a_number": "Torque, temperature, speed, density or replicate is not a number.",
    "date_not_read": "The date could not be read.",
    "name_too_long": "A batch or product name too long to be meant.",
    "second_table": "Below a second, different header: another table.",
}

# The row is used; a person should look at it.
REMARKS: dict[str, str] = {
    "far_from_usual": "Many times off what its product usually has.",
    "other_factor": "Viscosity ÷ torque is another constant here than in the store so far.",
    "odd_temperature": "No sample is measured at this temperature: a slip, or another column.",
    "odd_speed": "No such instrument turns at this speed: a slip, or another column.",
    "on_target": "More than one reading in ten is exactly the target.",
    "one_value": "One value stands far more often than its neighbours.",
    "last_digits": "Far more readings end with 0 or 5 than by chance.",
    "replicate_gap": "A replicate number of the batch is missing.",
    "replicate_again": "A replicate number of the batch stands more than once.",
    "replicate_count": "The batch has another number of readings than the method asks for.",
}

# Reasons that a check found by comparing, so that a person wants to see each row.
FOUND_BY_CHECKS = frozenset(
    {
        "torque_disagrees",
        "impossible_value",
        "off_temperature",
        "not_by_method",
        "date_out_of_window",
    }
)

REASONS: dict[str, str] = SET_ASIDE | NOT_PARSED | REMARKS


def severity(reason: str) -> str:
    """ "set aside", "not parsed" or "remark"."""
    if reason in REMARKS:
        return "remark"
    return "not parsed" if reason in NOT_PARSED else "set aside"


# Words on reports and exports, compared in lower case and trimmed. Extend here.
OVER_RANGE_WORDS = frozenset(
    {
        *("hors gamme haute", "dépassement", "fuera de rango alto", "por encima del rango"),
        "over",
        "over range",
        "overrange",
        "over-range",
        "out of range high",
        "ol",
        "ofl",
        "o.l.",
        "überlauf",
        "über bereich",
        "bereich überschritten",
    }
)
BELOW_RANGE_WORDS = frozenset(
    {
        *("hors gamme basse", "sous gamme", "por debajo del rango"),
        "under",
        "under range",
        "underrange",
        "under-range",
        "below range",
        "unter bereich",
        "bereich unterschritten",
    }
)
NO_RESULT_WORDS = frozenset(
    {
        *("erreur", "n.d.", "nd", "error de lectura"),
        "",
        "n/a",
        "na",
        "n.a.",
        "nan",
        "none",
        "null",
        "k.a.",
        "error",
        "err",
        "fehler",
    }
)
SUMMARY_WORDS = frozenset(
    {
        *(
            "moyenne",
            "médiane",
            "somme",
            "écart-type",
            "écart type",
            "étendue",
            "media",
            "promedio",
            "mediana",
            "suma",
            "desviación estándar",
        ),
        *("mean", "average", "avg", "median", "total", "sum", "min", "max", "minimum", "maximum"),
        *("std", "stdev", "sd", "rsd", "cv", "count", "n", "range"),
        *("mittelwert", "mittel", "summe", "gesamt", "anzahl", "standardabweichung", "spannweite"),
    }
)
TEST_WORDS = frozenset(
    {
        *(
            "essai à blanc",
            "rinçage",
            "eau",
            "nettoyage",
            "prueba",
            "enjuague",
            "agua",
            "limpieza",
        ),
        "test",
        "testlauf",
        "probelauf",
        "dummy",
        "rinse",
        "rinsing",
        "water",
        "blank",
        "cleaning",
        "spülen",
        "spülung",
        "wasser",
        "leerwert",
        "reinigung",
    }
)
INVALID_WORDS = frozenset(
    {
        *(
            "non valide",
            "invalide",
            "rejeté",
            "annulé",
            "no válido",
            "inválido",
            "anulado",
            "rechazado",
        ),
        "invalid",
        "void",
        "rejected",
        "aborted",
        "not valid",
        "ungültig",
        "verworfen",
        "abgebrochen",
        "storniert",
    }
)
CHECK_WORDS = frozenset(
    {
        *(
            "contrôle",
            "étalon",
            "référence",
            "fluide étalon",
            "patrón",
            "referencia",
            "fluido patrón",
        ),
        "check",
        "check standard",
        "check sample",
        "standard",
        "reference",
        "reference fluid",
        "control",
        "qc",
        "kontrolle",
        "kontrollprobe",
        "referenz",
        "prüfstandard",
        "prüfmittel",
    }
)
PRODUCT_WORDS = frozenset(
    {
        *(
            "produit",
            "échantillon",
            "lot",
            "routine",
            "producto",
            "muestra",
            "lote",
            "rutina",
            "producción",
        ),
        *("", "product", "sample", "batch", "production", "routine", "normal", "final"),
        *("produkt", "probe", "charge", "produktion", "serie"),
    }
)

# Rows that only a person can decide about; the command line then ends with exit code 1.
NEEDS_A_PERSON = frozenset(NOT_PARSED) | {
    "unit_missing",
    "unit_megapascal",
    "unit_krebs",
    "unit_flow_cup",
    "unit_unknown",
    "unit_needs_density",
    "ambiguous_number",
    "impossible_hour",
    "torque_disagrees",
    "impossible_value",
    "off_temperature",
    "not_by_method",
    "conflict",
    "retest",
    "status_changed",
    "undated",
    "no_product",
    "no_batch",
    "no_time",
    "date_out_of_window",
    "other_sample_type",
    "changed_in_source",
}
