"""Headings of exports, as they are met, against the canonical columns."""

import unicodedata

import pytest

from ingest.columns import COLUMNS, labels, match_heading, match_headings, plain
from ingest.headings import HEADINGS, LANGUAGES


@pytest.mark.parametrize(
    ("heading", "column", "unit"),
    [
        ("viscosity", "viscosity", ""),
        ("Viskosität mPa·s", "viscosity", "mPa·s"),
        ("VISCOSITY (cP)", "viscosity", "cP"),
        ("viscosity_mPa.s", "viscosity", "mPa.s"),
        ("Viskositaet [Pa.s]", "viscosity", "Pa.s"),
        ("Viscosity (xyz)", "viscosity", "xyz"),
        ("Drehzahl 1/min", "speed", "1/min"),
        ("speed_rpm", "speed", "rpm"),
        ("SpeedRPM", "speed", "RPM"),
        ("RPM", "speed", "rpm"),
        ("U/min", "speed", ""),
        ("UpM", "speed", ""),
        ("min⁻¹", "speed", ""),
        ("Wdh.", "replicate", ""),
        ("torque_pct", "torque", "pct"),
        ("Drehmoment %", "torque", ""),
        ("Temp °C", "temperature", "°C"),
        ("temp_C", "temperature", "C"),
        ("Temperature (°F)", "temperature", "°F"),
        ("density_g_cm3", "density", "g_cm3"),
        ("Prüfer", "operator", ""),
        ("Pruefer", "operator", ""),
        ("Charge", "batch", ""),
        ("BATCH NO.", "batch", ""),
        ("Nr", "replicate", ""),
        ("\ufefftimestamp", "tested_at", ""),
        ("Probenahme", "sampled_at", ""),
        ("Rohstofflos", "lot", ""),
    ],
)
def test_a_heading_is_recognised_with_its_unit(heading: str, column: str, unit: str) -> None:
    match = match_heading(heading)
    assert match is not None
    assert (match.column.name, match.unit) == (column, unit)


@pytest.mark.parametrize(
    "heading", ["", "batch size", "temperature comment", "mixer", "viscosity raw", "speeding"]
)
def test_a_heading_that_only_begins_alike_is_not_taken(heading: str) -> None:
    assert match_heading(heading) is None


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_heading_names_two_columns_in_one_language(language: str) -> None:
    seen: dict[str, str] = {}
    for column in COLUMNS:
        for heading in HEADINGS[column.name][language]:
            assert seen.setdefault(plain(heading), column.name) == column.name, heading


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_column_has_a_heading_in_every_language(language: str) -> None:
    for column in COLUMNS:
        for heading in HEADINGS[column.name][language]:
            for spelled in (heading, heading.upper(), heading.title(), without_accents(heading)):
                match = match_heading(spelled, language)
                assert match is not None, spelled
                assert match.column.name == column.name, spelled


def without_accents(text: str) -> str:
    """As exports without accents have it: Pruefer, viscosite, medicion."""
    for letter, spelled in (("ä", "ae"), ("ö", "oe"), ("ü", "ue")):
        text = text.replace(letter, spelled)
    return "".join(c for c in unicodedata.normalize("NFD", text) if not unicodedata.combining(c))


# Whole header lines as labs of each language write them; their meaning by a dictionary of the
# language, one (column, unit) for each heading.
EXPORTS = {
    "en": (
        "Sampled at;Test date;Batch no.;Product;Viscometer;Spindle;Speed (rpm);Torque (%);"
        "Sample temp. (°C);Viscosity (cP);Replicate;Analyst;Raw material lot;Line;Shift;Stage;"
        "Sample type;Status;Remarks;Method;Reading time (s);Guard leg;Set temp (°C);Density (g/ml)",
        "sampled_at tested_at batch product instrument spindle speed:rpm torque temperature:°C "
        "viscosity:cP replicate operator lot line_name shift stage sample_type status comment "
        "method reading_time:s guard set_temperature:°C density:g/ml",
    ),
    "de": (
        "Probenahme;Prüfdatum;Uhrzeit;Chargen-Nr.;Artikel;Messgerät;Spindel-Nr.;Drehzahl [1/min];"
        "Drehmoment [%];Probentemperatur [°C];Viskosität [mPa·s];Wiederholung;Prüfer;"
        "Rohstoffcharge;Anlage;Schicht;Stufe;Probenart;Gültigkeit;Bemerkung;Prüfmethode;"
        "Ablesezeit [s];Schutzbügel;Solltemperatur [°C];Dichte [g/cm3];Einheit",
        "sampled_at tested_at time_of_day batch product instrument spindle speed:1/min torque "
        "temperature:°C viscosity:mPa·s replicate operator lot line_name shift stage sample_type "
        "status comment method reading_time:s guard set_temperature:°C density:g/cm3 unit",
    ),
    "fr": (
        "Date de prélèvement;Date de mesure;Heure;N° de lot;Produit;Appareil;Mobile;"
        "Vitesse (tr/min);Couple (%);Température (°C);Viscosité (mPa·s);Répétition;Opérateur;"
        "Lot matière première;Ligne;Équipe;Étape;Type d'échantillon;Statut;Commentaire;Méthode;"
        "Temps de lecture (s);Étrier;Température de consigne (°C);Masse volumique (g/cm3);Unité",
        "sampled_at tested_at time_of_day batch product instrument spindle speed:tr/min torque "
        "temperature:°C viscosity:mPa·s replicate operator lot line_name shift stage sample_type "
        "status comment method reading_time:s guard set_temperature:°C density:g/cm3 unit",
    ),
    "es": (
        "Fecha de muestreo;Fecha de ensayo;Hora;Nº de lote;Producto;Viscosímetro;Husillo;"
        "Velocidad (rev/min);Par (%);Temperatura (°C);Viscosidad (cP);Repetición;Operador;"
        "Lote de materia prima;Línea;Turno;Etapa;Tipo de muestra;Estado;Observaciones;Método;"
        "Tiempo de lectura (s);Protector;Temperatura de consigna (°C);Densidad (g/cm3);Unidad",
        "sampled_at tested_at time_of_day batch product instrument spindle speed:rev/min torque "
        "temperature:°C viscosity:cP replicate operator lot line_name shift stage sample_type "
        "status comment method reading_time:s guard set_temperature:°C density:g/cm3 unit",
    ),
}


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("spelling", ["as written", "upper case", "without accents"])
def test_a_whole_header_is_understood(language: str, spelling: str) -> None:
    line, meaning = EXPORTS[language]
    if spelling == "without accents":
        line = without_accents(line)
    cells = line.split(";")
    if spelling == "upper case":  # but not the units: mPa and MPa are two
        cells = [cell if "(" in cell or "[" in cell else cell.upper() for cell in cells]
    wanted = [text.partition(":")[::2] for text in meaning.split()]
    found = [(m.column.name, m.unit) if m else ("", "") for m in match_headings(cells)]
    assert [name for name, _ in found] == [name for name, _ in wanted]
    assert [unit for _, unit in found] == [unit for _, unit in wanted]


@pytest.mark.parametrize(
    ("line", "meaning"),
    [
        ("Lot,Produit,Viscosité cP", "batch"),  # French: the batch
        ("batch,Lot,product,viscosity cP", "lot"),  # English: of the raw material
        ("Charge,Lot,Produkt,Viskosität cP", "lot"),
    ],
)
def test_a_heading_of_two_meanings_follows_the_language_of_the_others(
    line: str, meaning: str
) -> None:
    cells = line.split(",")
    match = match_headings(cells)[cells.index("Lot")]
    assert match is not None
    assert match.column.name == meaning


def test_a_person_says_what_a_column_is() -> None:
    cells = ["Los", "Wert [mPas]", "Viskosität", "", "x", "x"]
    assert labels(cells) == (
        *("Los", "Wert [mPas]", "Viskosität"),
        *("column 4", "x (column 5)", "x (column 6)"),
    )
    chosen = {"Los": "batch", "Wert [mPas]": "viscosity", "x (column 6)": "product"}
    found = [(m.column.name, m.unit) if m else None for m in match_headings(cells, chosen)]
    assert found == [("batch", ""), ("viscosity", "mPas"), None, None, None, ("product", "")]
    assert match_headings(["batch", "product"], {"batch": "ignore"})[0] is None
